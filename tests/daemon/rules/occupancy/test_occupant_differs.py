"""Another device than the declared one."""

import pytest

from boxes.occupied_box import at, position
from boxes.snapshot_box import NETWORK, SATA, TWO_DRIVES, Box, declare, kelp_box, make_sata_drive, one_drive
from laneproof.findings import Kind, Severity
from laneproof.rules import judge_all
from laneproof.rules.occupancy.occupant_differs import OCCUPANT_DIFFERS
from laneproof.rules.rule import Pass
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

UNNAMED = one_drive(controller={"serial": Unread("serial of nvme0", "permission denied")})
SERIALS = position("a", 1, '{ serial = "A" }') + position("b", 2, '{ serial = "B" }')


def test_drive_in_anothers_position_is_reported_by_both() -> None:
    findings = {finding.position: finding for finding in judge_all(Pass.of(declare(SERIALS), at(None, "A").snapshot()))}
    assert findings["a"].rule == "position-empty"
    assert "its drive is in b" in findings["a"].summary
    assert findings["a"].severity is Severity.WARNING
    assert findings["b"].rule == "occupant-differs"
    assert "is declared for a" in findings["b"].summary
    assert findings["b"].evidence["declared_for"] == "a"
    assert set(findings) == {"a", "b"}


def test_drive_in_an_undeclared_position_is_reported_by_both() -> None:
    findings = judge_all(Pass.of(declare(SERIALS), at(None, "B", "A").snapshot()))
    known = {(finding.rule, finding.position) for finding in findings}
    assert known == {("position-empty", "a"), ("occupant-unexpected", None)}
    assert all("0000:00/01.3" in finding.summary for finding in findings)


@pytest.mark.parametrize(
    ("occupant", "differs_in"),
    [
        ('{ kind = "nvme", model = "Fulmar N4", serial = "FN0001", capacity = "4 TB" }', []),
        ('{ model = "fulmar  n4" }', []),
        ('{ capacity = "3.97 TB" }', []),  # equal within 1 %
        ('{ capacity = "3.9 TB" }', ["capacity"]),
        ('{ kind = "sata" }', ["kind"]),
        ('{ kind = "other" }', ["kind"]),
        ('{ model = "Gannet 2" }', ["model"]),
        ('{ serial = "X" }', ["serial"]),
        ('{ model = "Gannet 2", serial = "X" }', ["model", "serial"]),
    ],
)
def test_only_what_is_declared_is_compared(occupant: str, differs_in: list[str]) -> None:
    findings = judge(OCCUPANT_DIFFERS, position("a", 1, occupant), kelp_box(1))
    assert [finding.evidence["differs_in"] for finding in findings] == ([differs_in] if differs_in else [])


def test_difference_gives_both_values() -> None:
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ capacity = "8 TB" }'), kelp_box(1))
    assert (finding.declared, finding.observed) == ("8 TB", "4 TB")
    assert "holds 4 TB, declared 8 TB" in finding.summary


@pytest.mark.parametrize(
    ("declared", "class_code", "holds"),
    [("network", NETWORK, True), ("other", SATA, True), ("sata", SATA, True), ("nvme", NETWORK, False)],
)
def test_kinds_of_cards(declared: str, class_code: int, holds: bool) -> None:
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=class_code)
    assert (judge(OCCUPANT_DIFFERS, position("a", 1, f'{{ kind = "{declared}" }}'), box) == []) == holds


@pytest.mark.parametrize("field", ["model", "serial"])
def test_unread_identity_is_unverified(field: str) -> None:
    box = one_drive(controller={field: Unread(f"{field} of nvme0", "permission denied")})
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, f'{{ {field} = "X" }}'), box)
    assert finding.kind is Kind.UNVERIFIED
    assert "permission denied" in finding.summary


def test_one_known_difference_outweighs_what_is_unread() -> None:
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ serial = "X", model = "Other" }'), UNNAMED)
    assert finding.kind is Kind.DIFFERS
    assert finding.evidence["unread"] == ["could not read serial of nvme0: permission denied"]


def test_card_without_a_serial_number_leaves_it_unverified() -> None:
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=NETWORK)
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ serial = "X" }'), box)
    assert finding.kind is Kind.UNVERIFIED


TURNS = position("a", 1, '{ kind = "nvme", any_of = [{ serial = "A", capacity = "8 TB" }, { serial = "B" }] }')


def test_either_of_two_drives_that_take_turns_is_right() -> None:
    assert judge(OCCUPANT_DIFFERS, TURNS, at("B")) == []
    (finding,) = judge(OCCUPANT_DIFFERS, TURNS, at("A"))
    assert (finding.declared, finding.observed) == ("8 TB or serial B", "4 TB, serial A")


def test_drive_that_is_none_of_those_that_take_turns_is_reported_with_all_of_them() -> None:
    (finding,) = judge(OCCUPANT_DIFFERS, TURNS, at("C"))
    assert finding.summary == "a holds serial C, 4 TB, declared serial A, 8 TB or serial B"
    assert finding.evidence["differs_in"] == ["serial", "capacity"]


def test_drive_that_may_be_one_of_those_that_take_turns_is_unverified() -> None:
    (finding,) = judge(OCCUPANT_DIFFERS, TURNS, UNNAMED)
    assert finding.kind is Kind.UNVERIFIED
    assert finding.declared == "nvme, 8 TB, serial A or nvme, serial B"


def test_one_of_those_that_take_turns_elsewhere_has_moved() -> None:
    findings = judge_all(Pass.of(declare(TURNS), at(None, "B").snapshot()))
    assert {finding.rule for finding in findings} == {"position-empty", "occupant-unexpected"}
    assert all("0000:00/01.2" in finding.summary for finding in findings)


def test_usb_drive_that_was_declared_as_sata_is_as_declared() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/14.0/usb-1"\noccupant = { kind = "KIND" }\n'
    box = Box().with_group(drives=(make_sata_drive("sda", "0000:00/14.0/usb-1", interface="usb"),))
    assert [judge(OCCUPANT_DIFFERS, text.replace("KIND", kind), box) for kind in ("usb", "sata")] == [[], []]
    (finding,) = judge(OCCUPANT_DIFFERS, text.replace("KIND", "nvme"), box)
    assert finding.observed == "kind usb"


EXAMPLE_TURNS = position("backup", 1, '{ any_of = [{ serial = "FN0008" }, { serial = "FN0009" }] }')


def test_examples() -> None:
    check_examples(
        OCCUPANT_DIFFERS,
        TWO_DRIVES,
        example(at("FN0001", "FN0002")),
        example(at("FN0002", "FN0001"), "warning nvme0 | The drive declared", "warning nvme1 | The drive declared"),
        example(at("FN0008"), build=EXAMPLE_TURNS),
        example(at("FN0001"), "warning nvme0 | Compare the label", build=EXAMPLE_TURNS),
        example(UNNAMED, "notice nvme0 | The answer was not", build=position("riser-1", 1, '{ serial = "FN0001" }')),
    )
