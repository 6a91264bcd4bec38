"""How far a counter moved on."""

import pytest

from laneproof.past.counters import moved_on


@pytest.mark.parametrize(
    ("before", "now", "most", "by"),
    [
        (None, 7, 99, None), (7, 7, 99, 0), (7, 9, 99, 2), (7, 6, 99, None), (7, 0, 99, None), (0, 0, 99, 0),
        (7, 4_294_967_295, 7 * 24 * 60, None), (7, 9, 2, 2),
    ],
)  # fmt: skip
def test_a_counter_that_falls_was_not_read_or_leaps_farther_than_it_can_gives_no_growth(
    before: int | None, now: int, most: int, by: int | None
) -> None:
    assert moved_on(before, now, most=most) == by
