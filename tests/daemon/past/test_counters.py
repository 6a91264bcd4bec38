"""How far a counter moved on; and each of those who follow one begins again where theirs falls."""

import pytest

from laneproof.past.counters import moved_on
from simulated_past import HOUR, PATHS, Story, counting_box
from snapshot_box import Box


@pytest.mark.parametrize(
    ("before", "now", "by"), [(None, 7, None), (7, 7, 0), (7, 9, 2), (7, 6, None), (7, 0, None), (0, 0, 0)]
)
def test_a_counter_that_falls_or_was_not_read_gives_no_growth(before: int | None, now: int, by: int | None) -> None:
    assert moved_on(before, now) == by


def test_a_counter_that_leaps_farther_than_it_can_gives_no_growth() -> None:
    assert moved_on(7, 4_294_967_295, most=7 * 24 * 60) is None
    assert moved_on(7, 9, most=2) == 2


def test_a_links_counter_that_falls_begins_again() -> None:
    story = Story()
    for errors in (0, 5, 2, 3):
        story.observe(counting_box((errors, 0, 0, 0)), after=HOUR)
    link = story.ledger.links.at(PATHS[0])
    assert link is not None
    assert link.series.since(0.0).errors == 5 + 1


def test_a_drives_counter_that_falls_begins_again() -> None:
    story = Story()
    for errors in (0, 5, 2, 3):
        story.observe(Box().with_port(PATHS[0]).with_drive(PATHS[0], health={"media_errors": errors}), after=HOUR)
    drive = story.ledger.drives.at(PATHS[0])
    assert drive is not None
    assert [rise.by for rise in drive.risen("media_errors")] == [1]
