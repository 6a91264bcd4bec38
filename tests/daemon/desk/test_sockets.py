from typing import Any

import pytest

from boxes.snapshot_box import declare
from laneproof.desk.problems import BudgetNotes
from laneproof.desk.sockets import (
    KEY_LANES,
    branch_lanes,
    check_devices,
    check_keys,
    check_slots,
    find_impossible,
    is_through,
)

WHOLE = "lanes = 16\nsplit = [4, 4, 4, 4]\nbifurcation = true"


def _check(text: str) -> BudgetNotes:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    check_slots(build, notes)
    check_keys(build, notes)
    check_devices(build, notes)
    return notes


def _whats(text: str) -> list[str]:
    return [problem.what for problem in _check(text).problems]


def _riser(*, slot: str = WHOLE, count: int = 4, **keys: str) -> str:
    every = {"slot": '"riser"', "through": '["passive-split"]', "link": "{ generation = 4, lanes = 4 }"} | keys
    text = f'[slot.riser]\npath = "0000:00"\n{slot}\n'
    for at in range(1, count + 1):
        text += f'[[position]]\nlabel = "riser-{at}"\npath = "0000:00/01.{at}"\n'
        text += f"branch = {at}\n" if every.get("branch", "") != "none" else ""
        text += "".join(f"{key} = {value}\n" for key, value in every.items() if value and key != "branch")
    return text


@pytest.mark.parametrize(
    ("slot", "count", "keys", "what", "says"),
    [
        (WHOLE, 4, {}, "", ""),
        # Common practice: x8 is split x4x4; no source
        ("lanes = 8\nsplit = [4, 4]\nbifurcation = true", 2, {}, "", ""),
        (
            "lanes = 8\nsplit = [4, 4, 4, 4]\nbifurcation = true", 4, {},
            "slot-lanes-exceeded", "slot riser has 8 lanes, but its split 4+4+4+4 needs 16",
        ),
        (
            "lanes = 16", 4, {"branch": "none"},
            "split-not-planned", "riser-1, riser-2, riser-3 and riser-4 in slot riser need the firmware to split",
        ),
        (
            "lanes = 16\nsplit = [4, 4, 4, 4]\nbifurcation = false", 4, {},
            "split-not-supported", "slot riser is to be split into 4+4+4+4, but its firmware cannot split it",
        ),
        ("lanes = 8\nbifurcation = false", 4, {"through": '["switch-card"]', "branch": "none"}, "", ""),
        (
            WHOLE, 4, {"through": '["switch-card"]', "branch": "none"},
            "switch-in-split-slot", "the switch card in slot riser needs no split",
        ),
        ("lanes = 16", 1, {"through": "", "branch": "none"}, "", ""),
        (
            "lanes = 16", 2, {"through": "", "branch": "none"},
            "slot-shared", "riser-1 and riser-2 hang on slot riser, which serves one device",
        ),
        (
            WHOLE, 1, {"link": "{ lanes = 8 }"},
            "branch-too-narrow", "riser-1 is to train x8, but branch 1 of slot riser has 4 lanes",
        ),
        (
            "lanes = 4", 1, {"link": "{ lanes = 8 }", "through": "", "branch": "none"},
            "slot-too-narrow", "riser-1 is to train x8, but slot riser has 4 lanes",
        ),
        (
            f"{WHOLE}\ngeneration = 3", 1, {},
            "slot-too-slow", "riser-1 is to train at generation 4, but slot riser carries generation 3",
        ),
    ],
)  # fmt: skip
def test_what_a_slot_cannot_do_is_said_with_both_values(
    slot: str, count: int, keys: dict[str, str], what: str, says: str
) -> None:
    notes = _check(_riser(slot=slot, count=count, **keys))
    assert [problem.what for problem in notes.problems] == ([what] if what else [])
    assert all(problem.says.startswith(says) for problem in notes.problems)
    assert {problem.subject for problem in notes.problems} <= {"riser", "riser-1"}
    assert notes.assumptions == ()


def test_split_that_nobody_vouches_for_is_a_condition_of_the_verdict() -> None:
    text = _riser(slot="lanes = 16\nsplit = [4, 4, 4, 4]")
    build = declare(text)
    conditions = check_slots(build, BudgetNotes(assume=build.assume))
    assert conditions == ("its firmware can split slot riser into 4+4+4+4 (bifurcation)",)
    assert _whats(text) == []
    for slot in ("lanes = 16", "lanes = 16\nsplit = [16]", "lanes = 16\nsplit = [8, 8]\nbifurcation = true"):
        build = declare(_riser(slot=slot, count=1, through=""))
        assert check_slots(build, BudgetNotes(assume=build.assume)) == ()


@pytest.mark.parametrize(
    ("slot", "keys", "impossible"),
    [
        ("lanes = 16\nsplit = [4, 4, 4, 4]", {}, []),
        # four branches of four lanes on eight lanes: the first two take them all
        ("lanes = 8\nsplit = [4, 4, 4, 4]", {}, [3, 4]),
        ("lanes = 16\nsplit = [4, 4, 4, 4]\nbifurcation = false", {}, [2, 3, 4]),
        # a passive card is wires only: without a split the first device alone appears
        ("lanes = 16", {"branch": "none"}, [2, 3, 4]),
        ("lanes = 16", {"branch": "none", "through": ""}, [2, 3, 4]),
        ("lanes = 16", {"branch": "none", "through": "", "occupant": '{ kind = "none" }'}, []),
        ("lanes = 8", {"branch": "none", "through": '["switch-card"]'}, []),
    ],
)
def test_what_no_branch_is_there_for_cannot_exist(slot: str, keys: dict[str, Any], impossible: list[int]) -> None:
    assert find_impossible(declare(_riser(slot=slot, **keys))) == {f"riser-{at}" for at in impossible}


def test_branch_that_is_not_named_is_remarked_on() -> None:
    says = "riser-1 does not say which branch of slot riser it is: its lanes are not checked"
    assert _check(_riser(branch="none", count=1)).remarks == [says]
    assert _check(_riser(count=1)).remarks == []
    assert _check(_riser(slot="lanes = 16", branch="none", through="", count=1)).remarks == []
    assert _check(_riser(branch="none", through='["switch-card"]', count=1)).remarks == []


def test_passive_split_outside_any_slot_is_reported() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nthrough = ["passive-split"]\n'
    assert _whats(text) == ["split-without-slot"]


def _socket(key: str, lanes: int, occupant: str = '{ kind = "nvme" }', through: str = '["key-adapter"]') -> str:
    return (
        f'[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nkey = "{key}"\nthrough = {through}\n'
        f"link = {{ lanes = {lanes} }}\noccupant = {occupant}\n"
    )


@pytest.mark.parametrize(("key", "lanes"), [("M", 4), ("B", 2), ("B+M", 2), ("E", 1), ("A", 1)])
def test_key_carries_so_many_lanes_and_no_more(key: str, lanes: int) -> None:
    # M.2 pin tables in public references: M four lanes, B two, E two links of one lane (A from memory)
    assert KEY_LANES[key] == lanes
    assert _whats(_socket(key, lanes)) == []
    assert _whats(_socket(key, lanes * 2)) == ["key-too-narrow"]


def test_key_e_says_why_its_two_lanes_are_one() -> None:
    (problem,) = _check(_socket("E", 2)).problems
    assert problem.says == "a is to train x2, but key E gives one device x1: its two lanes are two links of one lane"


def test_drive_of_key_m_needs_an_adapter_in_a_socket_of_key_e() -> None:
    assert _whats(_socket("E", 1, through='["board"]')) == ["key-does-not-fit"]


@pytest.mark.parametrize(("key", "found"), [("M", []), ("B", []), ("E", ["key-without-sata"])])
def test_only_keys_m_and_b_carry_sata(key: str, found: list[str]) -> None:
    assert _whats(_socket(key, 1, occupant='{ kind = "sata" }')) == found


def test_branch_has_the_lanes_of_its_turn_in_the_split() -> None:
    build = declare(_riser(slot="split = [8, 4, 4]", count=3))
    assert [branch_lanes(build, position) for position in build.position] == [8, 4, 4]
    assert is_through(build.position[0], "passive-split")
    assert not is_through(build.position[0], "board")


def test_link_that_asks_more_than_its_device_can_is_reported() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nlink = { generation = 4, lanes = 4 }\n'
    (problem,) = _check(text + "occupant = { generation = 3, lanes = 2 }\n").problems
    assert problem.what == "link-beyond-device"
    assert problem.says == "a is to train at generation 4 x4, and its device can do generation 3 x2"
    assert _whats(text + "occupant = { generation = 5, lanes = 4 }\n") == []
