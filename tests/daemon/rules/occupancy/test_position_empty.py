"""Declared devices that do not answer."""

from dataclasses import replace

import pytest

from boxes.losing_box import four, gone, removal
from boxes.occupied_box import at, position
from boxes.simulated_past import DAY, Story
from boxes.snapshot_box import TWO_DRIVES, Box, declare, kelp_box
from laneproof.findings import Kind, Severity
from laneproof.rules.occupancy.position_empty import POSITION_EMPTY
from support.rule_examples import check_examples, example, judge

REMOVABLE = position("backup", 1, '{ kind = "nvme" }') + "removable = true\n"


def test_missing_bridge_means_an_empty_position() -> None:
    (finding,) = judge(POSITION_EMPTY, position("riser-3", 3, '{ kind = "nvme" }'), kelp_box(2))
    assert (finding.kind, finding.position, finding.severity) == (Kind.DIFFERS, "riser-3", Severity.WARNING)
    assert "no bridge at 0000:00/01.3" in finding.summary
    assert finding.identity == ("position-empty", "riser-3")


def test_listed_drive_that_no_longer_answers_leaves_its_position_empty() -> None:
    box = kelp_box(1).edit("0000:00/01.1/00.0", lambda function: replace(function, answers=False))
    (finding,) = judge(POSITION_EMPTY, position("riser-1", 1, '{ kind = "nvme" }'), box)
    assert finding.evidence["state"] == "gone"
    assert finding.subject == "nvme0"


@pytest.mark.parametrize("occupant", ['{ kind = "none" }', "{}"])
def test_position_that_asks_for_nothing_may_be_empty(occupant: str) -> None:
    assert judge(POSITION_EMPTY, position("spare", 1, occupant), Box()) == []


def test_declared_link_asks_for_a_device() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nlink = { generation = 4 }'
    assert [finding.kind for finding in judge(POSITION_EMPTY, text, Box().with_port("0000:00/01.1"))] == [Kind.DIFFERS]


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


def test_removable_device_may_be_taken_out_and_must_answer_while_it_is_listed() -> None:
    assert judge(POSITION_EMPTY, REMOVABLE, kelp_box(1).without("0000:00/01.1")) == []
    box = kelp_box(1).edit("0000:00/01.1/00.0", lambda function: replace(function, answers=False))
    (finding,) = judge(POSITION_EMPTY, REMOVABLE, box)
    assert finding.evidence["state"] == "gone"


def test_a_drive_removed_on_request_is_a_notice_for_a_day_and_then_an_alarm() -> None:
    build = declare(position("riser-1", 1, '{ kind = "nvme" }'))
    story = Story().observe(four()).observe(gone(), after=60.0, devices=(removal(),))
    assert [finding.severity for finding in POSITION_EMPTY.judge(story.last_pass(build))] == [Severity.NOTICE]
    story.observe(gone(), after=DAY)
    assert [finding.severity for finding in POSITION_EMPTY.judge(story.last_pass(build))] == [Severity.WARNING]


def test_examples() -> None:
    check_examples(
        POSITION_EMPTY,
        TWO_DRIVES,
        example(at("FN0001", "FN0002")),
        example(at("FN0001", None), "warning 0000:00/01.2 | Look in the"),
        example(at(None, None), build=REMOVABLE),
    )
