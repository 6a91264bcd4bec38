"""The alarm budget: how surprising something must be before anybody is told, and before anybody is disturbed.

A false alarm costs more than a day's delay. So the thresholds come from how many tests a box makes in a year, and a
page needs, besides surprise, an effect large enough to matter.
"""

import math
from typing import Literal

from laneproof.evidence.counts import Surprise, require_exposure

Level = Literal["page", "note"]

PAGE_P = 1e-5
NOTE_P = 1e-3
RATIO_FLOOR = 3.0
"""A rate must be this many times the other, at the lower bound, to disturb somebody. All three are judgement."""

FALSE_PAGES_PER_YEAR = 0.2
"""One false page per box in five years. Judgement."""


def looks_per_year(links: int, tests: int, a_day: float = 1.0) -> float:
    """How many independent tests does a box make in a year?

    Args:
        links: Links watched.
        tests: Tests of each.
        a_day: How often a day each is made on data that are new.

    Returns:
        Tests a year of 365 days.

    Raises:
        ValueError: A negative number.
    """
    for number in (links, tests, a_day):
        require_exposure(number, "each factor")
    return links * tests * a_day * 365.0


def alpha_for(tests_a_year: float, false_alarms_a_year: float = FALSE_PAGES_PER_YEAR) -> float:
    """Which threshold keeps the false alarms within the budget?

    Args:
        tests_a_year: Independent tests a year.
        false_alarms_a_year: How many false alarms a year are borne.

    Returns:
        The one-sided error of each test, at most 1.

    Raises:
        ValueError: A negative number, or no test.

    Source: C. Bonferroni; the expected number of false alarms is the number of tests times alpha.
    """
    require_exposure(tests_a_year, "the number of tests")
    require_exposure(false_alarms_a_year, "the number of false alarms")
    if tests_a_year == 0.0:
        raise ValueError("no test is made, so no threshold is needed")
    return min(1.0, false_alarms_a_year / tests_a_year)


def grade(surprise: Surprise, ratio_lower_bound: float | None = None, *, decisive: bool = False) -> Level | None:
    """Who should hear of it?

    Args:
        surprise: How unlikely it is if nothing is wrong.
        ratio_lower_bound: Lower bound of how many times worse it is, None where the test knows no ratio.
        decisive: Whether the test means action by itself: a link out of specification, media errors that accelerate.

    Returns:
        "page" to disturb somebody, "note" to write it down where it is seen, None to record it only.
    """
    if decisive:
        return "page"
    large = ratio_lower_bound is not None and ratio_lower_bound >= RATIO_FLOOR
    if large and surprise.log_p <= math.log(PAGE_P):
        return "page"
    return "note" if surprise.log_p <= math.log(NOTE_P) else None
