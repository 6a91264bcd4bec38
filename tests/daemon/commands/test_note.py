"""laneproof note: kept for the daemon, with a position that exists, and said what it was taken for."""

from pathlib import Path

import pytest

from contracts.hand_made import Ended, inside
from laneproof.service.owner_notes import Inbox

pytestmark = pytest.mark.usefixtures("build")


def note(tmp_path: Path, *words: str) -> Ended:
    (tmp_path / "state").mkdir(exist_ok=True)
    return inside("note", "--build", tmp_path / "build.toml", "--state", tmp_path / "state", *words)


def test_a_note_waits_for_the_daemon(tmp_path: Path) -> None:
    assert "another adapter or cable" in note(tmp_path, "riser-1", "shorter", "cable").out
    (left,) = Inbox(tmp_path / "state").read()
    assert (left.kind, left.text, left.path, left.detail["position"]) == (
        "note", "shorter cable", "0000:00/01.1", "riser-1"
    )  # fmt: skip
    assert left.t > 1_700_000_000


def test_the_whole_box_has_no_position(tmp_path: Path) -> None:
    assert note(tmp_path, "box", "new room").status == 0
    (left,) = Inbox(tmp_path / "state").read()
    assert left.path == ""
    assert left.detail["position"] is None


def test_a_position_that_nobody_declared_is_refused_with_the_near_one(tmp_path: Path) -> None:
    ended = note(tmp_path, "riser-l", "dust")
    assert ended.status == 64
    assert "did you mean 'riser-1'?" in ended.err
    assert Inbox(tmp_path / "state").read() == ()


def test_without_a_folder_for_it_one_line_says_so(tmp_path: Path) -> None:
    ended = note(tmp_path, "riser-1", "dust", "--state", str(tmp_path / "none"))
    assert ended.status == 73
    assert ended.err == (
        f"laneproof: {tmp_path / 'none'}: there is no such folder, so no history to keep it in; 'laneproof serve' "
        "makes one, and --state names another folder\n"
    )
