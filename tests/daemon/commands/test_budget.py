import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from contracts.hand_made import inside

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


@pytest.mark.parametrize(
    ("text", "status", "said"), [(FITS, 0, "kelp-1: FITS\n"), (DOES_NOT, 1, "kelp-1: DOES NOT FIT - 2 problems\n")]
)
def test_whether_the_box_fits_is_the_status(tmp_path: Path, text: str, status: int, said: str) -> None:
    ended = inside("budget", _file(tmp_path, text))
    assert (ended.status, ended.out[: len(said)]) == (status, said)


def test_json_is_the_desk_checks_own(tmp_path: Path) -> None:
    ended = inside("budget", "--json", _file(tmp_path, DOES_NOT))
    made = ended.json()
    assert ended.status == 1
    assert {"positions", "arrays", "bottleneck", "problems", "assumptions"} <= set(made)
    assert {problem["what"] for problem in made["problems"]} == {"key-too-narrow", "key-does-not-fit"}


def test_picture_is_written_beside_the_text(tmp_path: Path) -> None:
    picture = tmp_path / "lanes.svg"
    assert inside("budget", "--picture", picture, _file(tmp_path, FITS)).status == 0
    assert ET.fromstring(picture.read_text()).tag.endswith("svg")
    assert [file.name for file in tmp_path.iterdir() if file.suffix == ".part"] == []


@pytest.mark.parametrize(
    ("text", "words", "status", "said"),
    [
        (FITS, ["build.toml", "--picture", "no/lanes.svg"], os.EX_CANTCREAT, "lanes.svg: cannot be written"),
        (
            FITS.replace("lanes", "lanse"),
            ["build.toml"],
            os.EX_DATAERR,
            "line 6: position[0].link.lanse is not a key here; did you mean 'lanes'?",
        ),
        (FITS, ["none.toml"], os.EX_NOINPUT, "none.toml: no such file"),
        (FITS, ["build.toml", "--build", "build.toml"], os.EX_USAGE, "name one declaration"),
        (FITS, [], os.EX_NOINPUT, "there is no declaration at default.toml; name one"),
    ],
)
def test_what_cannot_be_checked_is_one_line_and_a_status(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, words: list[str], status: int, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", "default.toml")
    monkeypatch.setattr("laneproof.commands.budget.DEFAULT_BUILD", "default.toml")
    _file(tmp_path, text)
    ended = inside("budget", *words)
    assert (ended.status, ended.out) == (status, "")
    assert said in ended.err


def test_demo_can_be_checked() -> None:
    ended = inside("budget", "--demo")
    assert (ended.status, ended.out[:12]) == (0, "kelp-1: FITS")
