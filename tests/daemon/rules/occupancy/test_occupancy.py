"""position-empty, occupant-differs, occupant-unexpected."""

from dataclasses import replace

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING
from laneproof.rules import judge_all
from laneproof.rules.occupancy.occupancy import OCCUPANT_DIFFERS, OCCUPANT_UNEXPECTED, POSITION_EMPTY
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread
from simulated_box import NETWORK, SATA, Box, declare, kelp_box


def judge(rule: Rule, text: str, box: Box | Snapshot) -> list[Finding]:
    return list(rule.judge(declare(text), box.snapshot() if isinstance(box, Box) else box, NOTHING))


def position(label: str, number: int, occupant: str) -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "0000:00/01.{number}"\noccupant = {occupant}\n'


def test_missing_bridge_means_an_empty_position() -> None:
    (finding,) = judge(POSITION_EMPTY, position("riser-3", 3, '{ kind = "nvme" }'), kelp_box(2))
    assert (finding.kind, finding.position, finding.severity) == (Kind.DIFFERS, "riser-3", Severity.WARNING)
    assert "no bridge at 0000:00/01.3" in finding.summary
    assert finding.identity == ("position-empty", "riser-3")


def test_silent_bridge_means_an_empty_position() -> None:
    (finding,) = judge(POSITION_EMPTY, position("riser-1", 1, '{ kind = "nvme" }'), kelp_box(1).without("0000:00/01.1"))
    assert finding.evidence["state"] == "silent"


def test_listed_drive_that_no_longer_answers_leaves_its_position_empty() -> None:
    box = kelp_box(1).edit("0000:00/01.1/00.0", lambda one: replace(one, answers=False))
    (finding,) = judge(POSITION_EMPTY, position("riser-1", 1, '{ kind = "nvme" }'), box)
    assert finding.evidence["state"] == "gone"
    assert finding.subject == "nvme0"


def test_occupied_port_without_data_link_active_is_not_empty() -> None:
    # as the emulator answers for an occupied port; what lives below it counts
    box = Box().with_port("0000:00/01.1", registers={"data_link_active": False}).with_drive("0000:00/01.1")
    assert judge(POSITION_EMPTY, position("riser-1", 1, '{ kind = "nvme" }'), box) == []


@pytest.mark.parametrize("occupant", ['{ kind = "none" }', "{}"])
def test_position_that_asks_for_nothing_may_be_empty(occupant: str) -> None:
    assert judge(POSITION_EMPTY, position("spare", 1, occupant), Box()) == []


def test_declared_link_asks_for_a_device() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nlink = { generation = 4 }'
    assert [one.kind for one in judge(POSITION_EMPTY, text, Box().with_port("0000:00/01.1"))] == [Kind.DIFFERS]


@pytest.mark.parametrize(
    ("occupant", "arrays", "severity"),
    [
        ('{ kind = "nvme" }', "", Severity.WARNING),
        ('{ kind = "nvme", role = "data" }', "", Severity.CRITICAL),
        ('{ kind = "nvme", role = "cache" }', "", Severity.WARNING),
        ('{ kind = "nvme" }', '[[array]]\nname = "md0"\nmembers = ["riser-1"]', Severity.CRITICAL),
    ],
)
def test_empty_position_is_critical_where_data_hangs_on_it(occupant: str, arrays: str, severity: Severity) -> None:
    (finding,) = judge(POSITION_EMPTY, position("riser-1", 1, occupant) + arrays, Box())
    assert finding.severity is severity


def test_empty_position_warns_before_hands_go_in() -> None:
    (finding,) = judge(POSITION_EMPTY, position("riser-1", 1, '{ kind = "nvme" }'), Box())
    steps = " ".join(finding.next_steps)
    for word in ("mains", "static", "cool", "manual", "degraded"):
        assert word in steps


def test_branches_of_a_slot_that_is_not_split_name_the_reason_softly() -> None:
    text = """
    slot.riser = { path = "0000:00", lanes = 16, split = [4, 4] }
    position = [
      { label = "a", slot = "riser", branch = 1, path = "0000:00/01.1", occupant = { kind = "nvme" } },
      { label = "b", slot = "riser", branch = 2, path = "0000:00/01.2", occupant = { kind = "nvme", role = "data" } },
    ]
    """
    box = Box().with_port("0000:00/01.1", lanes=16).with_drive("0000:00/01.1")
    (finding,) = judge(POSITION_EMPTY, text, box)
    assert (finding.position, finding.severity) == ("b", Severity.NOTICE)
    assert finding.evidence["reason"] == "bifurcation-not-active"
    assert "bifurcation-not-active" in finding.next_steps[0]


# --- moved ------------------------------------------------------------------------------------------------------------

SERIALS = position("a", 1, '{ serial = "A" }') + position("b", 2, '{ serial = "B" }')


def at(*serials: str | None) -> Box:
    box = Box()
    for number, serial in enumerate(serials, start=1):
        box.with_port(f"0000:00/01.{number}")
        if serial:
            box.with_drive(f"0000:00/01.{number}", serial=serial)
    return box


def test_drive_in_anothers_position_is_told_by_both() -> None:
    findings = {one.position: one for one in judge_all(declare(SERIALS), at(None, "A").snapshot(), NOTHING)}
    assert findings["a"].rule == "position-empty"
    assert "its drive is in b" in findings["a"].summary
    assert findings["a"].severity is Severity.WARNING
    assert findings["b"].rule == "occupant-differs"
    assert "is declared for a" in findings["b"].summary
    assert findings["b"].evidence["declared_for"] == "a"
    assert set(findings) == {"a", "b"}


def test_two_drives_that_changed_places_are_told_as_such() -> None:
    first, second = judge(OCCUPANT_DIFFERS, SERIALS, at("B", "A"))
    assert "the drive declared here is in b" in first.summary
    assert "the drive declared here is in a" in second.summary


def test_drive_in_a_position_declared_empty_is_told_with_its_home() -> None:
    text = position("a", 1, '{ serial = "A" }') + position("spare", 2, '{ kind = "none" }')
    findings = {one.position: one for one in judge_all(declare(text), at(None, "A").snapshot(), NOTHING)}
    assert "its drive is in spare" in findings["a"].summary
    assert findings["spare"].rule == "occupant-unexpected"
    assert "declared for a" in findings["spare"].summary


def test_drive_in_an_undeclared_place_is_told_by_both() -> None:
    findings = judge_all(declare(SERIALS), at(None, "B", "A").snapshot(), NOTHING)
    told = {(one.rule, one.position) for one in findings}
    assert told == {("position-empty", "a"), ("occupant-unexpected", None)}
    assert all("0000:00/01.3" in one.summary for one in findings)


# --- differs ----------------------------------------------------------------------------------------------------------


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
    assert [one.evidence["differs_in"] for one in findings] == ([differs_in] if differs_in else [])


def test_difference_gives_both_values() -> None:
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ capacity = "8 TB" }'), kelp_box(1))
    assert (finding.declared, finding.observed) == ("8 TB", "4 TB")
    assert "holds 4 TB, declared 8 TB" in finding.summary


@pytest.mark.parametrize(
    ("declared", "class_code", "holds"),
    [("network", NETWORK, True), ("other", SATA, True), ("sata", SATA, True), ("nvme", NETWORK, False)],
)
def test_kinds_of_cards(declared: str, class_code: int, holds: bool) -> None:  # noqa: FBT001 (a column of the table)
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=class_code)
    assert (judge(OCCUPANT_DIFFERS, position("a", 1, f'{{ kind = "{declared}" }}'), box) == []) == holds


def test_sata_drive_is_compared_at_its_own_hop() -> None:
    text = '[[position]]\nlabel = "bay"\npath = "0000:00/17.0/ata-3"\noccupant = { kind = "sata", capacity = "8 TB" }'
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3")
    assert judge(OCCUPANT_DIFFERS, text, box) == []


@pytest.mark.parametrize("field", ["model", "serial"])
def test_unread_identity_is_unverified(field: str) -> None:
    gap = Unread(f"{field} of nvme0", "permission denied")
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", controller={field: gap})
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, f'{{ {field} = "X" }}'), box)
    assert finding.kind is Kind.UNVERIFIED
    assert "permission denied" in finding.summary


def test_one_known_difference_outweighs_what_is_unread() -> None:
    gap = Unread("serial of nvme0", "permission denied")
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", controller={"serial": gap})
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ serial = "X", model = "Other" }'), box)
    assert finding.kind is Kind.DIFFERS
    assert finding.evidence["unread"] == [str(gap)]


def test_card_without_a_serial_number_leaves_it_unverified() -> None:
    box = Box().with_port("0000:00/01.1").with_device("0000:00/01.1", class_code=NETWORK)
    (finding,) = judge(OCCUPANT_DIFFERS, position("a", 1, '{ serial = "X" }'), box)
    assert finding.kind is Kind.UNVERIFIED


# --- unexpected -------------------------------------------------------------------------------------------------------


def test_drive_in_no_declared_position_is_reported() -> None:
    (finding,) = judge(OCCUPANT_UNEXPECTED, position("a", 1, "{}"), kelp_box(2))
    assert (finding.position, finding.severity) == (None, Severity.NOTICE)
    assert finding.identity == ("occupant-unexpected", "FN0002")


def test_undeclared_drives_can_be_ignored() -> None:
    text = '[box]\nundeclared = "ignore"\n' + position("a", 1, "{}")
    assert judge(OCCUPANT_UNEXPECTED, text, kelp_box(2)) == []


def test_ignoring_undeclared_drives_does_not_reach_positions_declared_empty() -> None:
    text = '[box]\nundeclared = "ignore"\n' + position("spare", 2, '{ kind = "none" }')
    assert [one.position for one in judge(OCCUPANT_UNEXPECTED, text, kelp_box(2))] == ["spare"]


def test_undeclared_network_card_is_nobodys_business() -> None:
    box = kelp_box(1).with_port("0000:00/1c.0").with_network("0000:00/1c.0", "wan0")
    assert judge(OCCUPANT_UNEXPECTED, position("a", 1, "{}"), box) == []


def test_without_a_build_no_drive_is_unexpected() -> None:
    assert list(OCCUPANT_UNEXPECTED.judge(None, kelp_box(2).snapshot(), NOTHING)) == []


def test_drive_whose_path_is_declared_as_its_own_is_declared() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/05.0"\noccupant = { kind = "nvme" }'
    assert judge_all(declare(text), Box().with_drive("0000:00/05.0").snapshot(), NOTHING) == ()
