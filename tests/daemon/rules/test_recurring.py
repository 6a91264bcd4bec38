"""One fault that comes and goes is one alarm; what is held says so, and ends."""

from typing import Any

import pytest

from boxes.simulated_past import PATHS
from boxes.snapshot_box import Box, declare, kelp_box
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.findings import Kind, Severity
from laneproof.rules.explain import explain
from laneproof.rules.recurring import COMES_AND_GOES
from laneproof_collectors.snapshot import Fan, Thermal
from laneproof_collectors.unread import Unread

TWICE_OVER = ["raised", "cleared", "raised", "cleared", "raised"]


def box(*, lost: int | Unread = 0, pending: int = 0, serial: str = "SHOAL1") -> Box:
    made = kelp_box().with_array("md0", ("nvme0n1", "nvme1n1", "nvme2n1"), degraded=lost)
    made.with_device("0000:00/17.0", class_code=0x010601)
    return made.with_sata_drive("0000:00/17.0/ata-1", serial=serial, pending_sectors=pending)


def nights(watcher: Watcher, count: int, **trouble: Any) -> Watcher:
    for _ in range(count):
        watcher.observe(box(**trouble), after=18 * HOUR).observe(box(), after=6 * HOUR)
    return watcher


@pytest.mark.parametrize(("rule", "trouble"), [("array-degraded", {"lost": 1}), ("sectors-failing", {"pending": 8})])
def test_thirty_nights_of_one_fault_are_three_alarms_and_one_that_stands(rule: str, trouble: dict[str, int]) -> None:
    watcher = nights(Watcher(rule).observe(box()), 30, **trouble)
    assert watcher.became == TWICE_OVER
    assert watcher.standing[0].summary.startswith("not so now, but 1")
    watcher.observe(box(), after=8 * DAY)
    assert watcher.became == [*TWICE_OVER, "cleared"]


def test_a_declared_fan_that_stops_each_night_is_three_alarms_and_one_that_stands() -> None:
    watcher = Watcher("fan-stopped", declare('[[fan]]\nlabel = "fan1"\n'))
    for rpm in [900, 0] * 20 + [900]:
        fan = Fan(chip="board", label="fan1", rpm=rpm, minimum_rpm=None, alarm=None)
        watcher.observe(Box().with_group(thermal=Thermal(fans=(fan,))), after=12 * HOUR)
    assert watcher.became == TWICE_OVER
    assert watcher.standing[0].summary.startswith("not so now, but 1")
    assert watcher.observe(Box(), after=HOUR).standing[0].kind is Kind.UNVERIFIED  # of a chip that is gone


def test_two_nights_are_two_alarms_and_then_it_is_over() -> None:
    assert nights(Watcher("array-degraded").observe(box()), 2, lost=1).became == TWICE_OVER[:4]


def test_what_is_so_again_is_reported_as_it_is() -> None:
    watcher = nights(Watcher("array-degraded").observe(box()), 3, lost=1).observe(box(lost=1), after=HOUR)
    assert watcher.became == TWICE_OVER
    assert watcher.standing[0].summary.startswith("raid5 array md0 runs without 1 of 3 members")


def test_what_cannot_be_known_any_more_is_reported_unverified() -> None:
    watcher = nights(Watcher("array-degraded").observe(box()), 3, lost=1)
    watcher.observe(box(lost=Unread("degraded", "no answer in time")), after=HOUR)
    (finding,) = watcher.standing
    assert (finding.kind, finding.severity) == (Kind.UNVERIFIED, Severity.NOTICE)


def test_a_fault_of_some_hours_is_held_for_a_day() -> None:
    watcher = Watcher("array-degraded").observe(box())
    for _ in range(3):
        watcher.observe(box(lost=1), after=600.0).observe(box(), after=600.0)
    assert watcher.observe(box(), after=23 * HOUR).standing != []
    assert watcher.observe(box(), after=2 * HOUR).standing == []


def test_another_drive_in_the_position_begins_again() -> None:
    plan = declare('[[position]]\nlabel = "bay-1"\npath = "0000:00/17.0/ata-1"')
    watcher = nights(Watcher("sectors-failing", plan).observe(box()), 3, pending=8)
    assert watcher.standing != []
    assert watcher.observe(box(serial="SHOAL2"), after=HOUR).standing == []


def test_what_is_held_stands_over_a_restart_of_the_program_and_of_the_machine() -> None:
    watcher = nights(Watcher("array-degraded").observe(box()), 3, lost=1)
    watcher.restart(stopped=True).observe(box())
    assert watcher.standing[0].summary.startswith("not so now, but 3 times in 2 days, last at ")
    assert watcher.became == TWICE_OVER


def test_a_link_that_loses_lanes_at_every_second_boot_is_one_alarm() -> None:
    plan = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"\nlink = {{ lanes = 4 }}')
    watcher = Watcher("link-narrow", plan)
    for boot in range(12):
        narrow = Box().with_port(PATHS[0], trained=(4, 2 if boot % 2 else 4)).with_drive(PATHS[0], serial="FN1")
        watcher.restart(after=DAY).observe(narrow)
    assert watcher.became == TWICE_OVER


def test_another_declaration_ends_what_was_held_against_the_one_before() -> None:
    watcher = nights(Watcher("array-degraded").observe(box()), 3, lost=1)
    watcher.engine.build = declare("")
    assert watcher.observe(box(), after=HOUR).standing == []


def test_each_rule_that_comes_and_goes_says_so_on_its_page() -> None:
    assert all("third time within two weeks" in " ".join(explain(rule).split()) for rule in COMES_AND_GOES)
