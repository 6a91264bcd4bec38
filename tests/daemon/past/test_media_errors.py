"""When a drive reported new media errors: by its counter, and where that stays silent by the kernel's log."""

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box
from laneproof.past.media_errors import find_media_times

PATH = PATHS[0]
BAD_SECTOR = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"


def box(errors: int) -> Box:
    return Box().with_port(PATH).with_drive(PATH, serial="FN1", health={"media_errors": errors})


@pytest.mark.parametrize(
    ("passes", "expected"),  # errors counted, seconds since the pass before, lines of the log; seconds ago, errors
    [
        ([(31, 0.0, 0), (31, DAY, 0)], []),  # what was counted before the first pass is old
        ([(0, 0.0, 0), (7, DAY, 0)], [(0.0, 7)]),  # one time however far it moved
        ([(0, 0.0, 0), (0, HOUR, 1), (1, HOUR, 0)], [(0.0, 1)]),  # the log and the counter report the same error
        ([(0, 0.0, 0), (0, DAY, 1), (1, 23 * HOUR, 0)], [(0.0, 1)]),
        ([(0, 0.0, 0), (0, DAY, 1), (1, 25 * HOUR, 0)], [(25 * HOUR + 30.0, 0), (0.0, 1)]),  # another, a day later
        ([(0, 0.0, 0), (2, DAY, 0), (5, HOUR - 1, 0), (6, 1.0, 0)], [(HOUR, 5), (0.0, 1)]),  # of one hour: one time
        ([(0, 0.0, 0), *[(0, DAY, 2)] * 3], [(2 * DAY + 30.0, 0), (DAY + 30.0, 0), (30.0, 0)]),  # it never counts
    ],
)
def test_times_of_new_media_errors(passes: list[tuple[int, float, int]], expected: list[tuple[float, int]]) -> None:
    story = Story()
    for errors, after, lines in passes:
        story.observe(box(errors), after=after, log=(BAD_SECTOR,) * lines)
    found = find_media_times(story.ledger.drives.records["FN1"], story.ledger.episodes)
    assert [(story.now - at, number) for at, number in found] == expected


def test_what_the_log_reported_of_a_position_belongs_to_the_drive_that_was_there() -> None:
    story = Story().observe(box(0)).observe(box(0), after=DAY, log=(BAD_SECTOR,))
    other = Box().with_port(PATH).with_drive(PATH, serial="FN2")
    story.restart().observe(other, after=HOUR)
    drives, episodes = story.ledger.drives.records, story.ledger.episodes
    assert [len(find_media_times(drives[serial], episodes)) for serial in ("FN1", "FN2")] == [1, 0]
