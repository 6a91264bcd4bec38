"""The alarm budget and its grades."""

import math

import pytest

from laneproof.evidence.alarm_budget import ALARM_P, FALSE_ALARMS_PER_YEAR, NOTICE_P, grade
from laneproof.evidence.distributions import Surprise
from laneproof.evidence.rate_comparison import against_siblings
from support.unread_answers import known


def surprise(p: float) -> Surprise:
    return Surprise(log_p=math.log(p))


def test_one_false_page_in_five_years() -> None:
    # Bonferroni: 6 links, 8 tests, daily for a year
    assert 6 * 8 * 365 * ALARM_P < FALSE_ALARMS_PER_YEAR


@pytest.mark.parametrize(
    ("p", "lower", "level"),
    [
        (1e-6, 3.0, "alarm"),
        (1e-6, 2.9, "notice"),
        (1e-6, None, "notice"),
        (1e-4, 50.0, "notice"),
        (NOTICE_P, None, "notice"),
        (2e-3, 50.0, None),
    ],
)
def test_a_page_needs_surprise_and_effect(p: float, lower: float | None, level: str | None) -> None:
    assert grade(surprise(p), lower) == level


@pytest.mark.parametrize(("own", "others", "level"), [(37, 4, "alarm"), (9, 6, None), (5, 0, "notice"), (3, 1, None)])
def test_links_against_siblings_by_the_budget(own: int, others: int, level: str | None) -> None:
    # 24 hours of one link against 72 of its siblings; nine against six is a notice only at p <= 1e-2
    test = known(against_siblings(own, 24.0, others, 72.0))
    assert grade(test, test.ratio_bounds().lower) == level
