"""A box's past, of the daemon or of a recording."""

import argparse
import os
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from boxes.passes import Passes, events_of
from boxes.recorded_box import DAY, START, make_box, record, stand
from laneproof.commands.box_past import open_past
from laneproof.commands.errors import CommandError
from laneproof.history.store import Store

LINE = "4,812,80500000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"


def _arguments(**fields: Any) -> argparse.Namespace:
    return argparse.Namespace(**{"source": None, "demo": False, "build": None, "state": None} | fields)


@pytest.fixture
def recording(tmp_path: Path) -> str:
    return record(tmp_path / "box.jsonl", make_box(), stand, stand, every=DAY)


def test_a_recordings_frames_are_kept_at_their_own_times(recording: str) -> None:
    with open_past(_arguments(source=recording)) as past:
        assert (past.begins, past.now) == (START, START + DAY)
        (series,) = past.history.read_series(drive="A1", names=("media_errors",))
        assert series.known_until == START + DAY
        assert any(point.low is not None for point in series.points)  # a day between two frames is none


def test_the_kernels_log_of_a_recording_is_kept_too(recording: str) -> None:
    lines = Path(recording).read_text().splitlines()
    frame = lines[-1].rstrip("}") if '"kmsg"' in lines[-1] else lines[-1][:-1] + f', "kmsg": ["{LINE}"]' + "}"
    Path(recording).write_text("\n".join([*lines[:-1], frame]) + "\n")
    with open_past(_arguments(source=recording)) as past:
        (event,) = events_of(past.history, "controller_down")
        assert past.ledger is not None
        assert [(episode.path, episode.serial) for episode in past.ledger.episodes.episodes] == [("0000:00/01.1", "A1")]
    assert (event.path, event.drive) == ("0000:00/01.1", "A1")


@pytest.mark.parametrize("state", [None, {"ledger": {"schema": 99}}, {"ledger": 5}])
def test_a_ledger_that_was_not_saved_or_cannot_be_used_is_none(state: dict[str, object] | None, tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "history.db"))
    store.add_pass(Passes().take())
    if state is not None:
        store.save_state("engine", state)
    store.close()
    with open_past(_arguments(state=str(tmp_path))) as past:
        assert past.ledger is None


def test_since_counts_back_from_the_end(recording: str) -> None:
    with open_past(_arguments(source=recording)) as past:
        assert past.since(None, 7 * DAY) == START
        assert past.since("6h", 7 * DAY) == START + DAY - 6 * 3600
        for found, why in (
            ("yesterday", "is no moment"),
            ("now", "nothing can have happened"),
            ("2030-01-01", "nothing"),
        ):
            with pytest.raises(CommandError, match=why) as refused:
                past.since(found, DAY)
            assert refused.value.status == os.EX_USAGE


def test_the_daemons_history_ends_now(tmp_path: Path) -> None:
    with closing(Store.open(str(tmp_path / "history.db"))) as store:
        store.add_pass(Passes().take())
    with open_past(_arguments(state=str(tmp_path))) as past:
        assert past.begins is None
        assert past.since(None, DAY) == past.now - DAY
        assert past.history.read_watches()
