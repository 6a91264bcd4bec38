"""How links trained: per boot, and where they fell; links at rest and limits on purpose are neither."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box, declare
from laneproof.past.link_training import TrainingRecord
from laneproof.past.notes import Note
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Unread

PATH = PATHS[0]


def trained(generation: int, lanes: int = 4, **knobs: Any) -> Box:
    box = Box().with_port(PATH, trained=(generation, lanes), **knobs)
    return box.with_drive(PATH, trained=(generation, lanes), serial="FN1")


def record(story: Story) -> TrainingRecord:
    return story.ledger.training.records[PATH]


def test_a_boot_is_kept_with_the_most_that_the_link_reached() -> None:
    story = Story().observe(trained(1)).observe(trained(4), after=HOUR)
    (boot,) = record(story).boots
    assert (boot.gt_s, boot.lanes, boot.capable_gt_s, boot.capable_lanes) == (16.0, 4, 16.0, 4)


def test_a_link_that_falls_and_comes_back_is_one_fall() -> None:
    story = Story().observe(trained(4)).observe(trained(1, 2), after=HOUR).observe(trained(1, 2), after=HOUR)
    (fall,) = record(story).falls
    assert (fall.from_gt_s, fall.to_gt_s, fall.from_lanes, fall.to_lanes) == (16.0, 2.5, 4, 2)
    assert fall.back_at is None
    story.observe(trained(4), after=HOUR)
    assert fall.back_at == story.now


def test_the_last_passes_at_a_fall_are_kept() -> None:
    story = Story().observe(trained(4)).observe(trained(1), after=HOUR)
    for _ in range(3):
        story.observe(trained(2), after=1.0)
    (fall,) = record(story).falls
    assert [(reading.gt_s, story.now - reading.at) for reading in fall.readings] == [(5.0, 2.0), (5.0, 1.0), (5.0, 0.0)]


def test_a_new_boot_is_no_fall() -> None:
    story = Story().observe(trained(4)).restart().observe(trained(1), after=HOUR)
    assert record(story).falls == []
    assert [boot.gt_s for boot in record(story).boots] == [16.0, 2.5]


def asleep() -> Box:
    return Box().with_port(PATH, trained=(1, 4)).with_drive(PATH, trained=(1, 4), serial="FN1", asleep=True)


def resting() -> Box:
    """A link that the hardware lowered by itself: PCI Express Base Specification, Link Status bits 14 and 15."""
    lowered = {"autonomous_bandwidth_status": True, "bandwidth_management_status": False}
    box = Box().with_port(PATH, trained=(1, 4), registers=lowered)
    return box.with_drive(PATH, trained=(1, 4), serial="FN1", control="auto", registers=lowered)


def unreadable() -> Box:
    def hide(function: PciFunction) -> PciFunction:
        gap = Unread("current_link_speed", "gone")
        return replace(function, express=gap, link=replace(function.link, trained_gt_s=gap, trained_lanes=gap))

    return trained(1).edit(PATH, hide).edit(f"{PATH}/00.0", hide)


@pytest.mark.parametrize(
    ("box", "falls", "awake"),
    [
        (asleep(), 0, False),
        (resting(), 0, False),
        (trained(3, target=3), 0, True),  # a limit that was set while it ran
        # drivers/pci/quirks.c, pcie_failed_link_retrain: the kernel holds it at 2.5 GT/s, for training had failed
        (trained(1, target=1), 1, True),
        (trained(4, 2), 1, True),
        (unreadable(), 0, False),
    ],
)
def test_a_link_that_is_lower_on_purpose_does_not_fall(box: Box, falls: int, awake: bool) -> None:
    story = Story().observe(trained(4)).observe(box, after=HOUR)
    assert len(record(story).falls) == falls
    assert record(story).awake_at == story.now - (0.0 if awake else HOUR)


def test_a_boot_in_which_a_link_was_seen_only_at_rest_is_marked_until_it_wakes() -> None:
    story = Story().observe(trained(4)).observe(asleep(), after=HOUR).restart().observe(asleep(), after=HOUR)
    assert [boot.at_rest for boot in record(story).boots] == [False, True]
    story.observe(asleep(), after=HOUR).observe(trained(1), after=HOUR).observe(asleep(), after=HOUR)
    assert [boot.at_rest for boot in record(story).boots] == [False, False]


def test_another_drive_begins_a_record_of_its_own() -> None:
    story = Story().observe(trained(1))
    story.restart().observe(Box().with_port(PATH).with_drive(PATH, serial="FN2"), after=HOUR)
    assert len(record(story).boots) == 1
    assert record(story).serial == "FN2"


def test_a_drive_that_is_missing_after_a_boot_is_noted() -> None:
    story = Story().observe(trained(4))
    story.restart().observe(Box().with_port(PATH), after=HOUR)
    story.restart().observe(trained(4), after=HOUR)
    assert [boot.missing for boot in record(story).boots] == [False, True, False]


def test_a_drive_that_came_late_was_not_missing() -> None:
    story = Story().observe(trained(4))
    story.restart().observe(Box().with_port(PATH), after=HOUR).observe(trained(4), after=60)
    assert [boot.missing for boot in record(story).boots] == [False, False]


# A drive counts each time that it is given power (NVM Express Base Specification 2.0, 5.16.1.3, Power Cycles); one that
# was out while its sibling was started twice has counted once fewer.


def counted(*cycles: int | None) -> Box:
    """Make drives that have counted so many power cycles of late, None where one is not found; the later are older."""
    box = Box()
    for number, (path, count) in enumerate(zip(PATHS, cycles, strict=False)):
        box.with_port(path)
        if count is not None:
            box.with_drive(path, serial=f"FN{number + 1}", health={"power_cycles": count + 300 * number})
    return box


@pytest.mark.parametrize(
    ("boots", "missing"),
    [
        ([(10, 10), (None, 11), (11, 12)], []),  # it was out while its sibling was started twice
        ([(10, 10), (None, 11), (12, 12)], [2]),  # it had power, and was not found
        ([(10, 10), (None, 10), (10, 10)], [2]),  # over warm restarts nobody knows
        ([(10, 10, 10), (None, 11, 11), (11, 12, 12)], []),
        ([(10, 10, 10), (None, 11, 11), (12, 13, 12)], [2]),  # one sibling lost its power once more, while it ran
        ([(10, 10, 10), (None, 11, 11), (12, 12, 12)], [2]),
        ([(10, 10, 10), (None, 11, 11), (11, 12, 11)], [2]),  # warm restarts, and one sibling that lost its power
    ],
)
def test_a_drive_was_missing_unless_its_siblings_show_that_it_had_no_power(
    boots: list[tuple[int | None, ...]], missing: list[int]
) -> None:
    story = Story()
    for number, cycles in enumerate(boots):
        (story.restart() if number else story).observe(counted(*cycles), after=HOUR)
    assert [boot.boot for boot in record(story).boots if boot.missing] == missing


def test_a_drive_without_power_at_some_boots_is_forgiven_once() -> None:
    story = Story().observe(counted(10, 10))
    for number in range(4):  # absent at each second boot, at which only its sibling is given power
        story.restart().observe(counted(None, 11 + 2 * number), after=HOUR)
        story.restart().observe(counted(11 + number, 12 + 2 * number), after=HOUR)
    assert [boot.boot for boot in record(story).boots if boot.missing] == [4, 6, 8]
    story.observe(counted(14, 18), after=200 * DAY).restart().observe(counted(None, 19), after=HOUR)
    story.restart().observe(counted(15, 20), after=HOUR)
    assert [boot.boot for boot in record(story).boots if boot.missing] == [4, 6, 8]  # the first time is long ago


def test_a_position_where_the_owner_had_a_drive_out_begins_again() -> None:
    build = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"')
    story = Story().observe(trained(4))
    note = Note(at=story.now, position="riser-1", text="took it home for a night", what="taken-out")
    assert story.last is not None
    story.ledger.update(
        replace(story.last, taken_at=story.now + 60, up_seconds=story.last.up_seconds + 60), build=build, notes=(note,)
    )
    assert PATH not in story.ledger.training.records
