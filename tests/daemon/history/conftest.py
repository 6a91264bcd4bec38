"""A history to write and a box to read; what tests leave open is closed, for Python warns of it from 3.13 on."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from boxes.passes import Passes
from laneproof.history.store import Store


@pytest.fixture(autouse=True)
def connections(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[sqlite3.Connection]]:
    """Give every connection that a test opened."""
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def remember(*where: Any, **how: Any) -> sqlite3.Connection:
        opened.append(connect(*where, **how))
        return opened[-1]

    monkeypatch.setattr(sqlite3, "connect", remember)
    yield opened
    for connection in opened:
        connection.close()


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "history.db")


@pytest.fixture
def store(path: str, connections: list[sqlite3.Connection]) -> Iterator[Store]:  # noqa: ARG001 (closed after it)
    opened = Store.open(path)
    yield opened
    opened.close()


@pytest.fixture
def passes() -> Passes:
    return Passes()
