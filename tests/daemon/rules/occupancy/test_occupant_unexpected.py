"""Drives where none is declared."""

from boxes.occupied_box import at, position
from boxes.snapshot_box import RISER_1, Box, declare, kelp_box
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.advice import split_step
from laneproof.findings import Severity
from laneproof.rules import judge_all
from laneproof.rules.occupancy.descriptions import moved_step
from laneproof.rules.occupancy.occupant_unexpected import OCCUPANT_UNEXPECTED
from laneproof.rules.rule import Pass
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example, judge


def test_drive_in_a_position_declared_empty_is_reported_with_its_home() -> None:
    text = position("a", 1, '{ serial = "A" }') + position("spare", 2, '{ kind = "none" }')
    findings = {finding.position: finding for finding in judge_all(Pass.of(declare(text), at(None, "A").snapshot()))}
    assert "its drive is in spare" in findings["a"].summary
    assert findings["spare"].rule == "occupant-unexpected"
    assert "declared for a" in findings["spare"].summary
    moved = moved_step("a", "spare").says
    assert [[split_step(step).says for step in findings[label].next_steps] for label in ("a", "spare")] == [[moved]] * 2


def test_drive_in_no_declared_position_is_reported() -> None:
    (finding,) = judge(OCCUPANT_UNEXPECTED, position("a", 1, "{}"), kelp_box(2))
    assert (finding.position, finding.severity) == (None, Severity.NOTICE)
    assert finding.identity == ("occupant-unexpected", "FN0002")


def test_undeclared_drives_can_be_ignored() -> None:
    text = '[box]\nundeclared = "ignore"\n' + position("a", 1, "{}")
    assert judge(OCCUPANT_UNEXPECTED, text, kelp_box(2)) == []


def test_ignoring_undeclared_drives_does_not_reach_positions_declared_empty() -> None:
    text = '[box]\nundeclared = "ignore"\n' + position("spare", 2, '{ kind = "none" }')
    assert [finding.position for finding in judge(OCCUPANT_UNEXPECTED, text, kelp_box(2))] == ["spare"]


def test_undeclared_network_card_is_nobodys_business() -> None:
    box = kelp_box(1).with_port("0000:00/1c.0").with_network("0000:00/1c.0", "wan0")
    assert judge(OCCUPANT_UNEXPECTED, position("a", 1, "{}"), box) == []


def test_drive_whose_path_is_declared_as_its_own_is_declared() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/05.0"\noccupant = { kind = "nvme" }'
    assert judge_all(Pass.of(declare(text), Box().with_drive("0000:00/05.0").snapshot())) == ()


def test_a_usb_drive_that_comes_each_night_is_said_once() -> None:
    unread = Unread("smartctl of sdz", "unknown USB bridge", Reason.FAILED)
    unexpected, warning = (Watcher(rule, declare(RISER_1)) for rule in ("occupant-unexpected", "critical-warning"))
    for _ in range(5):
        for watcher in (unexpected, warning):
            guest = Box().with_sata_drive("0000:00/14.0/usb-1", name="sdz", interface="usb", healthy=unread)
            watcher.observe(guest, after=HOUR).observe(Box(), after=23 * HOUR)
    assert unexpected.became == ["raised", "cleared"]
    assert warning.became == ["raised", "cleared"]


def test_a_usb_drive_that_stays_is_said_as_long_as_it_does() -> None:
    watcher = Watcher("occupant-unexpected", declare(RISER_1))
    watcher.observe(Box().with_sata_drive("0000:00/14.0/usb-1", name="sdz", interface="usb"), after=DAY, times=5)
    assert watcher.became == ["raised"]


def test_examples() -> None:
    check_examples(
        OCCUPANT_UNEXPECTED,
        position("spare", 1, '{ kind = "none" }'),
        example(Box().with_port("0000:00/01.1")),
        example(at("FN0009", None), "notice nvme0 | If it belongs here,"),
        example(at(None, "FN0009"), "notice nvme0 | If it belongs here,"),
    )
