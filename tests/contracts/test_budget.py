"""laneproof budget, from a file to what a person or a program reads; its figures are checked in tests/daemon/desk."""

import json
from pathlib import Path

import pytest

from contracts.hand_made import Ended, inside, program

HEAD = 'schema = 1\n[box]\nname = "kelp-1"\n'


def budget(tmp_path: Path, text: str) -> Ended:
    (tmp_path / "build.toml").write_text(HEAD + text)
    return inside("budget", tmp_path / "build.toml", "--json")


def bay(number: int, *, occupant: str = "", more: str = "") -> str:
    return (
        f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/{number:02x}.0"\n'
        f'link = {{ generation = 4, lanes = 4 }}\noccupant = {{ kind = "nvme"{occupant} }}\n{more}\n'
    )


def split(lanes: int, branches: str, count: int, *, more: str = "") -> str:
    text = f'[slot.riser]\npath = "0000:00"\nlanes = {lanes}\nsplit = {branches}\n{more}\n'
    for number in range(1, count + 1):
        text += (
            f'[[position]]\nlabel = "riser-{number}"\nslot = "riser"\nbranch = {number}\n'
            f'path = "0000:00/01.{number}"\nthrough = ["passive-split"]\nlink = {{ generation = 4, lanes = 4 }}\n'
            'occupant = { kind = "nvme" }\n'
        )
    return text


def test_box_of_the_trade_has_the_trades_figures(tmp_path: Path) -> None:
    """Five drives of 4 TB hold 16 TB at level 5, two bonded ports of ten carry twenty: common practice, no source."""
    members = [f"bay-{number}" for number in range(1, 6)]
    text = "".join(bay(number, occupant=', capacity = "4 TB"') for number in range(1, 6))
    text += f'[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = {json.dumps(members)}\n'
    text += '[[bond]]\nname = "bond0"\nmode = "802.3ad"\nmembers = ["a", "b"]\nmember_speed_mbit_s = 10000\n'
    ended = budget(tmp_path, text)
    assert ended.status == 0
    (array,), (bond,) = ended.json()["arrays"], ended.json()["network"]
    assert (array["name"], array["usable_bytes"], array["tolerated_failures"]) == ("md0", 16 * 10**12, 1)
    assert (bond["together_bits_per_second"], bond["one_flow_bits_per_second"]) == (20 * 10**9, 10 * 10**9)
    shown = program("budget", tmp_path / "build.toml").out
    assert "20 Gbit/s together, 10 Gbit/s in one flow" in shown


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (split(8, "[4, 4, 4, 4]", 4), ("riser", "8", "16")),
        (split(16, "[]", 2), ("riser", "split")),
        (split(16, "[4, 4, 4, 4]", 4, more="bifurcation = false"), ("riser",)),
        (split(8, "[2, 2]", 2), ("riser-1", "4", "2")),
        (bay(1, more='key = "E"\nthrough = ["key-adapter"]'), ("bay-1",)),
        ("[supply]\nwatts = 30\n" + bay(1), ("30",)),
        ("[processor]\nlanes = 20\n" + "".join(map(bay, range(1, 7))), ("20", "24")),
        (bay(1, occupant=", generation = 3"), ("bay-1",)),
    ],
)
def test_what_does_not_fit_is_said_of_the_part(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    ended = budget(tmp_path, text)
    assert ended.status == 1
    said = json.dumps(ended.json()["problems"])
    assert [word for word in words if word not in said] == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (split(8, "[4, 4]", 3), ("branch", "riser", "3", "2")),
        (bay(1) + bay(1).replace('"0000:00/01.0"', '"0000:00/05.0"'), ("label", "bay-1")),
        (bay(1) + bay(2).replace('"0000:00/02.0"', '"0000:00/01.0"'), ("path", "0000:00/01.0")),
        (bay(1) + '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-9"]\n', ("array", "bay-9")),
        ('[[array]]\nname = "md0"\nlevel = "raid7"\n', ("array[0].level", "raid7", "raid6")),
        ('[[aggregate]]\nname = "bond0"\n', ("aggregate", "is now called 'bond'")),
        ('[[accept]]\nrule = "wear-ahead"\nbecause = "old"\n', ("accept[0].rule", "now called 'endurance-ending'")),
    ],
)
def test_what_no_box_could_be_is_refused_by_the_format(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    ended = budget(tmp_path, text)
    assert ended.status == 65
    assert [word for word in (*words, "line ") if word not in ended.err] == []


def test_box_of_next_to_nothing_fits(tmp_path: Path) -> None:
    assert budget(tmp_path, "").status == 0
    ended = budget(tmp_path, '[[position]]\nlabel = "a"\npath = "0000:00/01.0"\n')
    assert ended.status == 0
    assert {"positions", "arrays", "bottleneck", "problems", "assumptions"} <= ended.json().keys()


def test_text_names_the_narrowest_first_within_80_columns(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD + split(8, "[4, 4, 4, 4]", 4))
    ended = program("budget", tmp_path / "build.toml")
    assert ended.status == 1
    assert max(map(len, ended.out.splitlines())) <= 80
    demo = program("budget", "--demo").out.splitlines()
    assert max(map(len, demo)) <= 80
    assert "narrowest" in demo[1].lower()
