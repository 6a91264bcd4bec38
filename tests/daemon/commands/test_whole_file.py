"""A picture is there whole or not at all."""

import os
from pathlib import Path

import pytest

from laneproof.commands.errors import CommandError
from laneproof.commands.pictures import write_picture


def test_picture_takes_the_place_of_an_older_one(tmp_path: Path) -> None:
    place = tmp_path / "box.svg"
    place.write_text("old")
    write_picture("<svg/>", str(place))
    assert place.read_text() == "<svg/>"
    assert [file.name for file in tmp_path.iterdir()] == ["box.svg"]


def test_file_that_cannot_be_written_is_reported_and_left_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "box.svg").mkdir()
    with pytest.raises(CommandError, match=r"box\.svg: cannot be written") as caught:
        write_picture("<svg/>", str(tmp_path / "box.svg"))
    assert caught.value.status == os.EX_CANTCREAT
    assert [file.name for file in tmp_path.iterdir()] == ["box.svg"]
