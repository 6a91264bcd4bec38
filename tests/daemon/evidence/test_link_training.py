"""How a link trained, and on how many boots it comes up short."""

import pytest

from laneproof.evidence.link_training import LinkReading, clean_boots_needed, settled, short_boots
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known


def looks(*states: tuple[float, int], step: float = 1.0, loaded: int = 0) -> list[LinkReading]:
    return [
        LinkReading(at=i * step, gt_s=gt_s, lanes=lanes, under_load=i == loaded)
        for i, (gt_s, lanes) in enumerate(states)
    ]


def test_three_readings_that_agree_settle_the_state() -> None:
    state = known(settled(looks((16.0, 4), (8.0, 2), (8.0, 2), (8.0, 2), loaded=3)))
    assert (state.gt_s, state.lanes) == (8.0, 2)


@pytest.mark.parametrize(
    ("readings", "why"),
    [
        (looks((8.0, 2), (8.0, 2)), "3 are needed"),
        (looks((8.0, 2), (8.0, 4), (8.0, 2)), "do not agree"),
        (looks((8.0, 2), (8.0, 2), (8.0, 2), step=0.2), "less than a second"),
        (looks((2.5, 4), (2.5, 4), (2.5, 4), loaded=9), "only while idle"),
    ],
)
def test_what_is_not_settled_says_why(readings: list[LinkReading], why: str) -> None:
    answer = settled(readings)
    assert isinstance(answer, NotEnough)
    assert why in str(answer)


def test_two_short_boots_of_nine() -> None:
    # Jeffreys interval, Beta(2.5, 7.5)
    bounds = known(short_boots(2, 9))
    assert (bounds.lower, bounds.upper) == (pytest.approx(0.0493, abs=5e-5), pytest.approx(0.5438, abs=5e-5))
    assert isinstance(short_boots(0, 0), NotEnough)


def test_clean_boots_that_rule_out_one_in_twenty() -> None:
    assert clean_boots_needed(0.05) == 59
    assert round(0.95**59, 4) == 0.0485


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="3 successes among 2"):
        short_boots(3, 2)
    with pytest.raises(ValueError, match="1 successes among 0"):
        short_boots(1, 0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        clean_boots_needed(0.0)
