"""When a drive reported new media errors: by its counter, and where that stays silent by the kernel's log."""

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box
from laneproof.past.media_errors import find_media_times

PATH = PATHS[0]
BAD_SECTOR = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"


def box(errors: int) -> Box:
    return Box().with_port(PATH).with_drive(PATH, serial="FN1", health={"media_errors": errors})


def times(story: Story) -> list[tuple[float, int]]:
    return find_media_times(story.ledger.drives.records["FN1"], story.ledger.episodes)


def test_what_was_counted_before_the_first_pass_is_old() -> None:
    assert times(Story().observe(box(31)).observe(box(31), after=DAY)) == []


def test_a_count_that_moves_is_one_time_however_far() -> None:
    story = Story().observe(box(0)).observe(box(7), after=DAY)
    assert times(story) == [(story.now, 7)]


def test_the_log_and_the_counter_report_the_same_error_once() -> None:
    story = Story().observe(box(0)).observe(box(0), after=HOUR, log=(BAD_SECTOR,)).observe(box(1), after=HOUR)
    assert [number for _, number in times(story)] == [1]


@pytest.mark.parametrize(("hours", "numbers"), [(23.0, [1]), (25.0, [0, 1])])
def test_a_count_that_moves_within_a_day_of_the_log_is_of_the_same_error(hours: float, numbers: list[int]) -> None:
    story = Story().observe(box(0)).observe(box(0), after=DAY, log=(BAD_SECTOR,)).observe(box(1), after=hours * HOUR)
    assert [number for _, number in times(story)] == numbers


def test_errors_of_one_hour_are_one_time() -> None:
    story = Story().observe(box(0)).observe(box(2), after=DAY).observe(box(5), after=HOUR - 1).observe(box(6), after=1)
    assert [number for _, number in times(story)] == [5, 1]


def test_a_drive_whose_counter_stays_silent_is_seen_by_the_log() -> None:
    story = Story().observe(box(0))
    for _ in range(3):
        story.observe(box(0), after=DAY, log=(BAD_SECTOR, BAD_SECTOR))
    assert [number for _, number in times(story)] == [0, 0, 0]


def test_what_the_log_reported_of_a_position_belongs_to_the_drive_that_was_there() -> None:
    story = Story().observe(box(0)).observe(box(0), after=DAY, log=(BAD_SECTOR,))
    other = Box().with_port(PATH).with_drive(PATH, serial="FN2")
    story.restart().observe(other, after=HOUR)
    assert len(times(story)) == 1
    assert find_media_times(story.ledger.drives.records["FN2"], story.ledger.episodes) == []
