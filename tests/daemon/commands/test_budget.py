import json
import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from laneproof.cli import main

FITS = """\
schema = 1
box.name = "kelp-1"
[[position]]
label = "upper left"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", capacity = "4 TB" }
"""
DOES_NOT = FITS + 'key = "E"\n'


def _file(folder: Path, text: str) -> str:
    file = folder / "build.toml"
    file.write_text(text)
    return str(file)


def test_box_that_fits_ends_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", _file(tmp_path, FITS)]) == 0
    assert capsys.readouterr().out.startswith("kelp-1: FITS\n")


def test_box_that_does_not_fit_ends_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", _file(tmp_path, DOES_NOT)]) == 1
    assert capsys.readouterr().out.startswith("kelp-1: DOES NOT FIT - 2 problems\n")


def test_json_is_the_desk_checks_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", "--json", _file(tmp_path, DOES_NOT)]) == 1
    made = json.loads(capsys.readouterr().out)
    assert {"positions", "arrays", "bottleneck", "problems", "assumptions"} <= set(made)
    assert {one["what"] for one in made["problems"]} == {"key-too-narrow", "key-does-not-fit"}


def test_picture_is_written_beside_the_text(tmp_path: Path) -> None:
    picture = tmp_path / "lanes.svg"
    assert main(["budget", "--picture", str(picture), _file(tmp_path, FITS)]) == 0
    assert ET.fromstring(picture.read_text()).tag.endswith("svg")  # noqa: S314 (written a line above)
    assert [file.name for file in tmp_path.iterdir() if file.suffix == ".part"] == []


def test_picture_that_cannot_be_written_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["budget", "--picture", str(tmp_path / "no" / "lanes.svg"), _file(tmp_path, FITS)])
    assert status == os.EX_CANTCREAT
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "lanes.svg: cannot be written" in said


def test_wrong_declaration_is_reported_with_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", _file(tmp_path, FITS.replace("lanes", "lanse"))]) == os.EX_DATAERR
    assert "line 6: position[0].link.lanse is not a key here; did you mean 'lanes'?" in capsys.readouterr().err


def test_declaration_that_is_missing_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", str(tmp_path / "none.toml")]) == os.EX_NOINPUT
    assert capsys.readouterr().err.count("\n") == 1


def test_demo_can_be_checked(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", "--demo"]) in (0, 1)
    assert capsys.readouterr().out.startswith("kelp-1: ")
