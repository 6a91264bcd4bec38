"""A daemon that runs, for the tests of its parts."""

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from boxes.running_daemon import Rig
from support.asked_service import Client, publish


@pytest.fixture
def rigs(tmp_path: Path) -> Iterator[Callable[..., Rig]]:
    """Make daemons on one folder; what still runs at the test's end is ended."""
    made: list[Rig] = []

    def make(**facts: Any) -> Rig:
        made.append(Rig(tmp_path, **facts))
        return made[-1]

    yield make
    for rig in made:
        rig.end()


@pytest.fixture
def client() -> Iterator[Client]:
    with closing(Client(publish())) as made:
        yield made


@pytest.fixture
def rig(rigs: Callable[..., Rig]) -> Rig:
    return rigs()


@pytest.fixture
def slow_rig(rigs: Callable[..., Rig]) -> Rig:
    """Make one that reads once an hour, and what an event hastens."""
    return rigs(interval=3600.0)
