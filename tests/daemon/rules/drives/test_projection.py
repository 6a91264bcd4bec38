"""How long what a drive has left lasts."""

import pytest

from boxes.story_engine import DAY
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import Remaining, by_percentage
from laneproof.past.drives import Steps
from laneproof.rules.drives.projection import project


def days_left(steps: Steps, day: float) -> float:
    left = project(steps, day * DAY, by_percentage)
    assert isinstance(left, Remaining)
    assert left.shortest_days <= left.days <= left.longest_days
    return left.days


def tick(days_a_point: float, points: int, *, first: int = 10) -> Steps:
    """A figure that ticks over at an even pace, first read between two of its points."""
    steps = Steps(rows=[(0.0, 0, first)])
    for point in range(1, points + 1):
        steps.note((point - 0.4) * days_a_point * DAY, 0, first + point)
    return steps


def test_the_end_of_its_life_does_not_move_between_two_points_of_the_figure() -> None:
    steps = tick(6.0, 20)
    last = 19.6 * 6.0
    ends = [last + since + days_left(steps, last + since) for since in (0.0, 1.0, 3.0, 5.9)]
    assert ends == pytest.approx([last + 70 * 6.0] * 4)  # exact: an even pace, and no share of a point unknown


def test_a_point_that_is_overdue_puts_the_end_off_without_a_jump() -> None:
    steps, due = tick(6.0, 20), 20.6 * 6.0
    assert days_left(steps, due + 0.01) == pytest.approx(days_left(steps, due - 0.01), abs=0.1)
    assert days_left(steps, due + 60.0) > days_left(steps, due + 30.0) > days_left(steps, due)


def test_two_points_are_counted_from_the_first_that_was_seen_to_come() -> None:
    assert isinstance(project(tick(20.0, 2), 60 * DAY, by_percentage), NotEnough)
    assert isinstance(project(tick(20.0, 3), 60 * DAY, by_percentage), Remaining)
