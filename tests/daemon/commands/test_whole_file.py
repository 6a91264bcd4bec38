"""A file that a command was asked for is there whole or not at all."""

import os
from pathlib import Path

import pytest

from laneproof.commands.errors import CommandError
from laneproof.commands.whole_file import check_folder_of, write_whole


def test_file_takes_the_place_of_an_older_one_and_nothing_is_written_through_a_link(tmp_path: Path) -> None:
    file, other = tmp_path / "box.svg", tmp_path / "other"
    other.write_text("mine")
    file.symlink_to(other)
    write_whole(str(file), "<svg/>")
    assert (file.read_text(), other.read_text()) == ("<svg/>", "mine")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["box.svg", "other"]
    Path(f"{file}.{os.getpid()}.part").symlink_to(other)
    with pytest.raises(CommandError, match="cannot be written: file exists"):
        write_whole(str(file), "<svg/>")
    assert other.read_text() == "mine"


def test_file_that_cannot_be_written_is_reported_and_left_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "box.svg").mkdir()
    with pytest.raises(CommandError, match=r"box\.svg: cannot be written") as caught:
        write_whole(str(tmp_path / "box.svg"), "<svg/>")
    assert caught.value.status == os.EX_CANTCREAT
    assert [file.name for file in tmp_path.iterdir()] == ["box.svg"]


def test_folder_is_checked_before_long_work(tmp_path: Path) -> None:
    check_folder_of(str(tmp_path / "new.json"))
    assert not list(tmp_path.iterdir())
    for name in (tmp_path / "none" / "new.json", tmp_path):
        with pytest.raises(CommandError, match="cannot be written"):
            check_folder_of(str(name))
