"""The past as it is served: what has no such name, and what cannot be read, is said as that."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from laneproof.commands.box_past import BoxPast
from laneproof.commands.history_file import open_history
from laneproof.commands.served_past import ServedPast
from laneproof.history.store import Store
from laneproof.service.api import PastUnreadableError


def past_at(file: Path) -> ServedPast:
    @contextmanager
    def open_past() -> Iterator[BoxPast]:
        with open_history(str(file)) as history:
            yield BoxPast(history=history, build=None, begins=None, now=1_790_000_000.0)

    return ServedPast(open_past)


def test_a_history_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(PastUnreadableError, match="there is no history"):
        past_at(tmp_path / "history.db").read_changes(0.0)


def test_an_empty_history_has_no_changes_no_episodes_and_no_names(tmp_path: Path) -> None:
    Store.open(str(tmp_path / "history.db")).close()
    past = past_at(tmp_path / "history.db")
    assert (past.read_changes(0.0), past.read_episodes(None)) == ([], [])
    with pytest.raises(LookupError, match="riser-1"):
        past.read_position("riser-1", None, 86400.0)
