"""Links whose errors nobody would see."""

from dataclasses import replace

from laneproof.findings import Finding
from laneproof.rules.example_past import PATHS, counting_box, masked_snapshot, withheld_snapshot
from laneproof.rules.links.errors_not_counted import ERRORS_NOT_COUNTED
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import Setting, Snapshot
from simulated_box import Box, declare

BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"')


def blind(snapshot: Snapshot) -> list[Finding]:
    return list(ERRORS_NOT_COUNTED.judge(Pass.of(BUILD, snapshot)))


def test_a_machine_that_shows_nothing_of_error_reporting_is_left_alone() -> None:
    assert blind(Box().with_port(PATHS[0]).with_drive(PATHS[0]).snapshot()) == []
    assert blind(Box().with_port(PATHS[0]).with_drive(PATHS[0]).without_registers().snapshot()) == []


def test_one_end_that_counts_is_enough() -> None:
    assert blind(counting_box((0, 0, 0, 0)).snapshot()) == []


def test_error_reporting_that_is_off_for_the_whole_box_is_one_finding() -> None:
    (finding,) = blind(withheld_snapshot())
    assert finding.severity == "notice"
    assert finding.position is None
    assert finding.evidence["positions"] == ["riser-1"]
    assert "command line" in finding.summary


def test_counters_at_zero_are_no_counting_where_the_command_line_switched_it_off() -> None:
    off = {"aer_owner": Setting(value="off", origin="command-line")}
    (finding,) = blind(counting_box((0, 0, 0, 0)).with_power(**off).snapshot())
    assert "command line" in finding.summary
    (finding,) = blind(Box().with_power(**off).with_port(PATHS[0]).with_drive(PATHS[0]).without_registers().snapshot())
    assert finding.evidence["positions"] == ["riser-1"]


def test_the_firmwares_keeping_it_is_said_so() -> None:
    snapshot = withheld_snapshot()
    kept = replace(snapshot, power=replace(snapshot.power, aer_owner=Setting(value="off", origin="firmware")))
    (finding,) = blind(kept)
    assert "the firmware keeps it" in finding.summary


def test_masked_ends_are_told_by_position() -> None:
    (finding,) = blind(masked_snapshot())
    assert finding.position == "riser-1"
    assert "masked" in finding.summary


def test_undeclared_links_are_nobodys_plan() -> None:
    assert list(ERRORS_NOT_COUNTED.judge(Pass.of(None, masked_snapshot()))) == []
