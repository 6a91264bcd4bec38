"""How long what a drive has left lasts, for planning. It predicts no failure."""

from collections.abc import Callable
from dataclasses import replace
from typing import TypeGuard

from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import Remaining
from laneproof.findings import Finding
from laneproof.past.drives import Steps
from laneproof.past.past import Past
from laneproof.rules.sign_subjects import DAY, Watched, standing_sign

FEWEST_DAYS = 30.0
_FEWEST_POINTS = 2
"""A pace needs at least so many days and so many changes of a rounded figure. Our choice."""
_FEWEST_ROWS = 3  # as first read, and ticked over twice
_FAST_DAYS, _FAST_POINTS, _FAST_ROWS = 3.0, 10, 5
"""A figure that runs needs no month: so many points in so many steps, over so many days at least. Our choice."""
_WELL_ABOVE = 1.15
"""What was said of a limit holds until the time left is this many times the limit. Our choice."""
ENDLESS_DAYS = 1e6
"""Thousands of years: that is never."""
Clock = Callable[[int, int, float], Remaining | NotEnough]


def project(steps: Steps, now: float, clock: Clock, *, may_run: bool = False) -> Remaining | NotEnough:
    """Project a figure that was kept where it changed.

    The figure is a whole number, so it is exact only at the moments when it ticked over: the pace is taken from the
    first of these to the last, and what has passed since the last is taken off, up to the next point. Taken up to now
    instead, the time left would grow until the next point and then fall by as much. A point that is overdue slows the
    pace.

    Args:
        steps: When, powered hours, value.
        now: Ledger time.
        clock: Takes the earlier value, the latest value and the days between.
        may_run: Whether a figure that runs is projected within days: spare is lost by faults, life is used by work.
    """
    if len(steps.rows) < _FEWEST_ROWS:
        return NotEnough("it was never seen to move twice")
    (at, _, first), (last_at, _, latest) = steps.rows[1], steps.rows[-1]
    points, days = abs(latest - first), (last_at - at) / DAY
    runs = may_run and days >= _FAST_DAYS and points >= _FAST_POINTS and len(steps.rows) >= _FAST_ROWS
    if not runs and (days < FEWEST_DAYS or points < _FEWEST_POINTS):
        return NotEnough("too little moved in too short a time")
    days = max(days, (now - at) / DAY * points / (points + 1))
    try:
        left = clock(first, latest, days)
    except ValueError as error:
        return NotEnough(str(error))
    if isinstance(left, NotEnough):
        return left
    passed = min((now - last_at) / DAY, days / points)
    return replace(
        left,
        days=max(0.0, left.days - passed),
        shortest_days=max(0.0, left.shortest_days - passed),
        longest_days=max(0.0, left.longest_days - passed),
    )


def falls_short(left: Remaining | NotEnough, limit_days: float, *, stood_so: bool) -> TypeGuard[Remaining]:
    """Whether the time left is below a limit; where that was said after the pass before, until it is well above.

    The pace of every box goes up and down a little with its work.
    """
    return isinstance(left, Remaining) and left.days < limit_days * (_WELL_ABOVE if stood_so else 1.0)


def find_before(past: Past, watched: Watched, rule: str) -> Finding | None:
    """Give what the same rule said of the same drive after the pass before."""
    before = standing_sign(past, watched.identify_drive(rule))
    return before if before is not None and before.key == (watched.serial or watched.path) else None


def describe_left(left: Remaining | NotEnough) -> dict[str, object]:
    """Give the time left for the evidence."""
    if isinstance(left, NotEnough):
        return {"days_left": None}
    is_endless = left.longest_days >= ENDLESS_DAYS
    return {
        "days_left": round(left.days, 1),
        "days_left_at_least": round(left.shortest_days, 1),
        "days_left_at_most": None if is_endless else round(left.longest_days, 1),
    }
