"""The past as it is served: what has no such name, and what cannot be read, is said as that."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from laneproof.commands.box_past import BoxPast
from laneproof.commands.history_file import open_history
from laneproof.commands.serve import make_recording_daemon
from laneproof.commands.served_past import ServedPast
from laneproof.history.store import Store
from laneproof.service.api import PastUnreadableError

DAY = 86400.0


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
    assert past.read_passes() is None


def test_a_position_is_read_with_all_that_happened_to_it() -> None:
    """Of the demo: by 2026-10-31 the cable in riser-3 had cost five disconnects, and a month before that four."""
    daemon, past = make_recording_daemon(None, None, None)
    with closing(daemon):
        for seconds, episodes in ((30 * DAY, 4), (365 * DAY, 5)):
            found = past.read_position("riser-3", None, seconds)
            kinds = [happening.kind for happening in found.happened]
            assert kinds.count("episode") == episodes
            assert found.watched == "Watched all the time." or seconds > 30 * DAY
            assert {chart.name for chart in found.trend.charts} >= {"correctable_errors", "trained_lanes"}
        passes = past.read_passes()
        assert passes is not None
        assert passes.ledger.episodes.episodes
