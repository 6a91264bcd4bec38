"""Lines left for a process: none is lost between taking and keeping, and another user can read them."""

import os
from pathlib import Path

import pytest

from laneproof import line_inbox
from laneproof.line_inbox import forget_lines, has_lines, leave_line, take_lines


def test_nothing_is_left_through_a_link_that_another_user_put_there(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("mine")
    before = other.stat().st_mode
    (tmp_path / "requests.jsonl").symlink_to(other)
    with pytest.raises(OSError, match="symbolic links"):
        leave_line(tmp_path / "requests.jsonl", "one", mode=0o600)
    assert (other.read_text(), other.stat().st_mode) == ("mine", before)


def test_lines_are_taken_until_they_are_forgotten(tmp_path: Path) -> None:
    file = tmp_path / "requests.jsonl"
    assert (take_lines(file), has_lines(file)) == ([], False)
    before = os.umask(0o077)
    leave_line(file, "one", mode=0o644)
    os.umask(before)
    assert file.stat().st_mode & 0o777 == 0o644
    leave_line(file, "zwölf", mode=0o644)
    assert take_lines(file) == ["one", "zwölf"]
    leave_line(file, "later", mode=0o644)
    assert take_lines(file) == ["one", "zwölf"]  # stopped before they were kept: taken again
    forget_lines(file)
    assert has_lines(file)
    assert take_lines(file) == ["later"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_what_root_leaves_belongs_to_whoever_takes_it(tmp_path: Path) -> None:
    file = tmp_path / "notes.jsonl"
    os.chown(tmp_path, 4711, 4712)
    leave_line(file, "one", mode=0o640)
    assert (file.stat().st_uid, file.stat().st_gid) == (4711, 4712)
    os.chown(file, 4713, 4713)
    leave_line(file, "two", mode=0o640)  # another's file, perhaps another name of one that matters, is left as it is
    assert file.stat().st_uid == 4713


def test_more_than_a_portion_is_taken_portion_by_portion_and_no_line_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line_inbox, "PORTION_BYTES", 10)
    file = tmp_path / "notes.jsonl"
    lines = ["zwölf", "a line longer than a portion", "", "three", "four"]
    for line in lines:
        leave_line(file, line, mode=0o640)
    taken: list[str] = []
    while has_lines(file):
        portion = take_lines(file)
        assert portion
        assert take_lines(file) == portion  # stopped before they were kept
        taken += portion
        forget_lines(file)
    assert taken == lines
