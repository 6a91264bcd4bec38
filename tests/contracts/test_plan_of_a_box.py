"""laneproof budget: figures of published tables and common practice, and what a plan must be told not to fit."""

import json
from pathlib import Path

import pytest

from contracts.hand_made import Ended, JsonObject, inside, program

HEAD = 'schema = 1\n[box]\nname = "kelp-1"\n'


def plan(tmp_path: Path, text: str) -> Ended:
    (tmp_path / "build.toml").write_text(HEAD + text)
    return inside("budget", tmp_path / "build.toml", "--json")


def bay(number: int, *, link: str = "generation = 4, lanes = 4", occupant: str = "", more: str = "") -> str:
    return (
        f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/{number:02x}.0"\n'
        + (f"link = {{ {link} }}\n" if link else "")
        + f'occupant = {{ kind = "nvme"{occupant} }}\n{more}\n'
    )


# MB/s of one direction: PCI Express base specification, transfer rate times line encoding over 8.
@pytest.mark.parametrize(
    ("generation", "lanes", "mb_s"),
    [
        (1, 1, 250.0), (1, 4, 1000.0), (2, 2, 1000.0), (2, 4, 2000.0), (3, 1, 984.6), (3, 2, 1969.2), (3, 4, 3938.5),
        (3, 16, 15753.8), (4, 1, 1969.2), (4, 4, 7876.9), (4, 8, 15753.8), (4, 16, 31507.7), (5, 4, 15753.8),
        (5, 16, 63015.4),
    ],
)  # fmt: skip
def test_link_rates_of_the_specification(tmp_path: Path, generation: int, lanes: int, mb_s: float) -> None:
    said = plan(tmp_path, bay(1, link=f"generation = {generation}, lanes = {lanes}")).json()
    assert said["positions"][0]["link_bytes_per_second"] == pytest.approx(mb_s * 1e6, rel=1e-4)


def test_generation_6_counts_its_own_way(tmp_path: Path) -> None:
    """64 GT/s, 1b/1b in flits of 256 bytes that hold 236 of packets (base specification 6.0, from memory)."""
    (one,) = plan(tmp_path, bay(1, link="generation = 6, lanes = 1")).json()["positions"]
    assert 7375e6 - 1e5 <= one["link_bytes_per_second"] <= 8000e6
    assert one["payload_bytes_per_second"] < 7375e6


# Payload over payload and overhead (Intel AN 456 and AN 829): 24 bytes with a header of four double words.
@pytest.mark.parametrize(
    ("generation", "lanes", "largest", "mb_s"),
    [(3, 4, 256, 3600.9), (3, 4, 128, 3316.6), (4, 4, 256, 7201.8), (3, 2, 128, 1658.3)],
)
def test_payload_ceilings(tmp_path: Path, generation: int, lanes: int, largest: int, mb_s: float) -> None:
    text = f"[assume]\nmax_payload_bytes = {largest}\n" + bay(1, link=f"generation = {generation}, lanes = {lanes}")
    (one,) = plan(tmp_path, text).json()["positions"]
    assert one["label"] == "bay-1"
    assert one["payload_bytes_per_second"] == pytest.approx(mb_s * 1e6, rel=2e-5)


# Common practice: the drives' own capacity less what the level sets aside.
@pytest.mark.parametrize(
    ("level", "drives", "each_tb", "usable_tb", "tolerated"),
    [
        ("raid5", 5, 4, 16, 1),
        ("raid5", 5, 8, 32, 1),
        ("raid5", 3, 4, 8, 1),
        ("raid6", 6, 4, 16, 2),
        ("raid0", 4, 2, 8, 0),
        ("raid1", 2, 4, 4, 1),
        ("raid1", 3, 4, 4, 2),
        ("raid10", 4, 4, 8, 1),
    ],
)
def test_capacity_and_tolerance_of_arrays(  # noqa: PLR0913 (a table's columns)
    tmp_path: Path, level: str, drives: int, each_tb: int, usable_tb: int, tolerated: int
) -> None:
    members = [f"bay-{number}" for number in range(1, drives + 1)]
    text = "".join(bay(number, occupant=f', capacity = "{each_tb} TB"') for number in range(1, drives + 1))
    text += f'[[array]]\nname = "md0"\nlevel = "{level}"\nmembers = {json.dumps(members)}\n'
    ended = plan(tmp_path, text)
    assert ended.status == 0, ended.json()["problems"]
    (array,) = ended.json()["arrays"]
    assert array["name"] == "md0"
    assert array["usable_bytes"] == usable_tb * 10**12
    assert array["tolerated_failures"] == tolerated


def test_array_of_unequal_drives_counts_the_smallest(tmp_path: Path) -> None:
    text = bay(1, occupant=', capacity = "8 TB"') + "".join(bay(n, occupant=', capacity = "4 TB"') for n in (2, 3))
    text += '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-2", "bay-3"]\n'
    assert plan(tmp_path, text).json()["arrays"][0]["usable_bytes"] == 8 * 10**12


def test_two_bonded_ports_carry_twenty_together_and_ten_in_one_flow(tmp_path: Path) -> None:
    """Kernel Documentation/networking/bonding.rst: no single connection uses more than one interface."""
    text = bay(1) + (
        '[[bond]]\nname = "bond0"\nmode = "802.3ad"\nmembers = ["enp1s0f0", "enp1s0f1"]\nmember_speed_mbit_s = 10000\n'
    )
    ended = plan(tmp_path, text)
    assert ended.status == 0
    numbers = json.dumps(ended.json()["network"])
    assert "20000000000" in numbers
    assert "10000000000" in numbers
    assert "bond0" in json.dumps(ended.json()["bottleneck"]), "2.5 GB/s of network is less than 7.2 GB/s of drive"
    shown = program("budget", tmp_path / "build.toml").out
    assert "20 Gbit/s" in shown
    assert "10 Gbit/s" in shown


def split(lanes: int, branches: str, count: int, *, through: str = "passive-split", more: str = "") -> str:
    text = f'[slot.riser]\npath = "0000:00"\nlanes = {lanes}\nsplit = {branches}\n{more}\n'
    for number in range(1, count + 1):
        text += (
            f'[[position]]\nlabel = "riser-{number}"\nslot = "riser"\nbranch = {number}\n'
            f'path = "0000:00/01.{number}"\nthrough = ["{through}"]\nlink = {{ generation = 4, lanes = 4 }}\n'
            'occupant = { kind = "nvme" }\n'
        )
    return text


def test_eight_lanes_split_into_two_of_four(tmp_path: Path) -> None:
    assert plan(tmp_path, split(8, "[4, 4]", 2)).status == 0
    assert plan(tmp_path, split(16, "[4, 4, 4, 4]", 4)).status == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (split(8, "[4, 4, 4, 4]", 4), ("riser", "8", "16")),
        (split(16, "[]", 2), ("riser", "split")),
        (split(16, "[4, 4, 4, 4]", 4, more="bifurcation = false"), ("riser",)),
        (split(8, "[2, 2]", 2), ("riser-1", "4", "2")),
        (bay(1, more='key = "E"\nthrough = ["key-adapter"]'), ("bay-1",)),
        (bay(1, more='key = "B"'), ("bay-1",)),
        ("[supply]\nwatts = 30\n" + bay(1), ("30",)),
        (bay(1, occupant=", generation = 3"), ("bay-1",)),
    ],
)
def test_what_does_not_fit_is_said_of_the_part(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    (tmp_path / "build.toml").write_text(HEAD + text)
    ended = inside("budget", tmp_path / "build.toml", "--json")
    assert ended.status == 1, ended.json()["problems"]
    said = json.dumps(ended.json()["problems"])
    for word in words:
        assert word in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (split(8, "[4, 4]", 3), ("branch", "riser", "3", "2")),
        (bay(1) + bay(1).replace('"0000:00/01.0"', '"0000:00/05.0"'), ("label", "bay-1")),
        (bay(1) + bay(2).replace('"0000:00/02.0"', '"0000:00/01.0"'), ("path", "0000:00/01.0")),
        (bay(1) + '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-9"]\n', ("array", "bay-9")),
    ],
)
def test_what_no_box_could_be_is_refused_by_the_format(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    ended = plan(tmp_path, text)
    assert ended.status == 65
    for word in (*words, "line "):
        assert word in ended.err


def test_switch_card_needs_no_split(tmp_path: Path) -> None:
    text = '[slot.riser]\npath = "0000:00/01.0"\nlanes = 16\nbifurcation = false\n'
    for number in (1, 2, 3, 4):
        text += (
            f'[[position]]\nlabel = "deck-{number}"\nslot = "riser"\npath = "0000:00/01.0/00.0/0{number}.0"\n'
            'through = ["switch-card"]\nlink = { generation = 4, lanes = 4 }\noccupant = { kind = "nvme" }\n'
        )
    assert plan(tmp_path, text).status == 0, plan(tmp_path, text).json()["problems"]


def test_every_assumption_is_printed_and_can_be_overridden(tmp_path: Path) -> None:
    said = plan(tmp_path, bay(1)).json()
    keys = {one["key"] for one in said["assumptions"] if one["key"]}
    assert "max_payload_bytes" in keys
    assert all(one["says"] and one["source"] for one in said["assumptions"])
    own = plan(tmp_path, "[assume]\nmax_payload_bytes = 512\n" + bay(1)).json()
    (one,) = [one for one in own["assumptions"] if one["key"] == "max_payload_bytes"]
    assert one["value"] == 512
    assert own["positions"][0]["payload_bytes_per_second"] > said["positions"][0]["payload_bytes_per_second"]


def test_plan_of_next_to_nothing_fits(tmp_path: Path) -> None:
    ended = plan(tmp_path, '[[position]]\nlabel = "a"\npath = "0000:00/01.0"\n')
    assert ended.status == 0
    said: JsonObject = ended.json()
    assert {"positions", "arrays", "bottleneck", "problems", "assumptions"} <= said.keys()
    assert plan(tmp_path, "").status == 0


def test_shared_link_that_no_position_shares(tmp_path: Path) -> None:
    text = '[uplink.deck]\npath = "0000:00/1d.0"\ngeneration = 4\nlanes = 4\n' + bay(1)
    assert plan(tmp_path, text).status == 0
    shown = inside("budget", tmp_path / "build.toml")
    assert shown.status == 0
    assert "no declared position shares it" in " ".join(shown.out.split())


def test_text_of_a_plan_names_the_narrowest_first_within_80_columns(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD + split(8, "[4, 4, 4, 4]", 4))
    ended = program("budget", tmp_path / "build.toml")
    assert ended.status == 1
    assert max(map(len, ended.out.splitlines())) <= 80
    demo = program("budget", "--demo").out.splitlines()
    assert max(map(len, demo)) <= 80
    assert "narrowest" in demo[1].lower()
