"""Single answers become one, and drops that favour a state are told from those that chance puts there."""

import pytest
from scipy import stats

from laneproof.diagnosis.three_valued import favours, majority


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ([], None),
        ([None, None], None),
        ([True, False], True),  # half of those that are known
        ([True, None, None], True),
        ([True, False, False], None),
        ([True, False, False, False], False),  # a quarter
        ([False], False),
    ],
)
def test_half_is_seen_a_quarter_is_absent(answers: list[bool | None], expected: bool | None) -> None:
    assert majority(answers) is expected


@pytest.mark.parametrize(
    ("count", "whole", "share", "expected"),
    [
        (0, 0, 0.5, None),
        (4, 4, 0.5, True),  # all of several, in a state that does not hold nearly always
        (3, 3, 0.5, None),  # chance puts all three there once in eight times
        (3, 3, 0.3, True),
        (3, 4, 0.65, True),  # most of several
        (3, 4, 0.66, None),
        (2, 3, 0.1, None),  # less than most
        (7, 10, 0.5, True),  # just most
        (4, 4, None, None),  # nobody knows how long the state holds
        (4, 4, 1.0, None),
        (0, 1, 0.5, None),  # one occasion concludes nothing
        (0, 2, 0.5, False),
        (1, 4, 0.5, False),  # hardly any
        (3, 9, 0.2, False),  # a fault of that kind would put most of them there
        (5, 9, 0.2, None),
    ],
)
def test_whether_drops_favour_a_state(count: int, whole: int, share: float | None, expected: bool | None) -> None:
    assert favours(count, whole, share, mostly=0.7) is expected


def test_what_is_sure_is_what_chance_does_less_than_once_in_sixteen_times() -> None:
    # exact binomial tails, scipy as the witness
    assert stats.binom.sf(2, 3, 0.3) < 1 / 16 < stats.binom.sf(2, 3, 0.5)
    assert stats.binom.cdf(3, 9, 0.7) < 1 / 16 < stats.binom.cdf(5, 9, 0.7)
