"""Rates against siblings and against the past, with published forms of the tests and scipy as witnesses."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from laneproof.evidence.distributions import Surprise
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.rate_comparison import (
    RatioTest,
    against_history,
    against_siblings,
    correct_each,
    each_against_the_others,
)
from support.unread_answers import known

COUNTS = st.integers(0, 300)
EXPOSURES = st.floats(1e-3, 1e16)


@pytest.mark.parametrize(
    ("own", "siblings", "p", "ratio", "lower", "upper"),
    [
        (37, 4, 1.757e-18, 27.75, 9.97, 107.2),
        (9, 6, 4.193e-3, 4.5, 1.43, 15.4),
        (5, 0, 9.766e-4, math.inf, 2.75, math.inf),
        (3, 1, 0.05078, 9.0, 0.72, 472.0),
    ],
)
def test_one_link_of_four(own: int, siblings: int, p: float, ratio: float, lower: float, upper: float) -> None:
    # Conditional test of two Poisson rates (Przyborowski and Wilenski 1940), Clopper-Pearson bounds of the odds
    test = known(against_siblings(own, 24.0, siblings, 72.0))
    bounds = test.ratio_bounds()
    assert test.p == pytest.approx(p, rel=1e-3)
    assert test.ratio == pytest.approx(ratio)
    assert bounds.lower == pytest.approx(lower, rel=5e-3)
    assert bounds.upper == pytest.approx(upper, rel=5e-3)


def test_links_of_other_rate_and_width_compare_by_bits() -> None:
    # 8 GT/s x1 against 16 GT/s x4 over the same hours: one ninth of all bits
    test = known(against_siblings(6, 8.0, 10, 64.0))
    bounds = test.ratio_bounds()
    assert test.p == pytest.approx(5.600e-3, rel=1e-3)
    assert test.ratio == pytest.approx(4.8)
    assert (bounds.lower, bounds.upper) == (pytest.approx(1.43, rel=5e-3), pytest.approx(14.6, rel=5e-3))


@given(own=COUNTS, others=COUNTS, exposure=EXPOSURES, other_exposure=EXPOSURES)
def test_sibling_test_agrees_with_scipy_s_binomial(
    own: int, others: int, exposure: float, other_exposure: float
) -> None:
    theirs = stats.binom.sf(own - 1, own + others, exposure / (exposure + other_exposure))
    ours = known(against_siblings(own, exposure, others, other_exposure)).p
    assert theirs < 1e-250 or math.isclose(ours, theirs, rel_tol=1e-9 if theirs > 1e-60 else 1e-6)


def test_a_million_errors_on_either_side() -> None:
    # scipy.stats.binomtest as the witness
    test = known(against_siblings(1_000_000, 24.0, 2_990_000, 72.0))
    theirs = stats.binomtest(1_000_000, 3_990_000, 0.25, alternative="greater").pvalue
    assert test.p == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(
    ("earlier", "events", "p"),
    [
        (0, 1, 0.01626),
        (0, 2, 3.945e-4),
        (0, 3, 1.062e-5),
        (0, 4, 3.000e-7),
        (2, 2, 4.407e-3),
        (2, 3, 2.123e-4),
        (2, 4, 9.395e-6),
        (20, 4, 6.349e-3),
        (20, 5, 9.809e-4),
        (20, 6, 1.323e-4),
    ],
)
def test_a_day_after_a_month(earlier: int, events: int, p: float) -> None:
    # Negative binomial predictive tail with Jeffreys' prior: 24 h after a baseline of 720 h
    test = known(against_history(events, 24.0, earlier, 720.0))
    assert test.p == pytest.approx(p, rel=1e-3)
    assert test.p == pytest.approx(stats.nbinom.sf(events - 1, earlier + 0.5, 720 / 744), rel=1e-9)


@given(events=COUNTS, earlier=COUNTS, exposure=EXPOSURES, earlier_exposure=EXPOSURES)
def test_history_test_agrees_with_scipy(events: int, earlier: int, exposure: float, earlier_exposure: float) -> None:
    test = known(against_history(events, exposure, earlier, earlier_exposure))
    # scipy's negative binomial would subtract a chance from one, and lose it where it is small
    before, now = (seconds / (earlier_exposure + exposure) for seconds in (earlier_exposure, exposure))
    r = earlier + 0.5
    theirs = special.betainc(events, r, now) if now < 0.5 else special.betaincc(r, events, before)
    assert events == 0 or theirs < 1e-250 or math.isclose(test.p, theirs, rel_tol=1e-9 if theirs > 1e-60 else 1e-6)


def test_holm_s_procedure() -> None:
    # S. Holm 1979: step-down factors 6 5 4 3 2 1, never falling
    tests = {str(p): Surprise(log_p=math.log(p)) for p in (0.9, 0.004, 0.6, 0.0005, 0.2, 0.03)}
    corrected = [test.p for test in correct_each(tests).values()]
    assert corrected == pytest.approx([1.0, 0.02, 1.0, 0.003, 0.6, 0.12])
    assert correct_each({}) == {}


def test_each_link_against_the_others_carries_holm_s_correction() -> None:
    tests = each_against_the_others(
        {"riser-1": (37, 24.0), "riser-2": (1, 24.0), "riser-3": (2, 24.0), "m2-1": (1, 24.0)}
    )
    worst = known(tests["riser-1"])
    assert worst.p == pytest.approx(4 * 1.757e-18, rel=1e-3)
    assert worst.ratio_bounds().lower == pytest.approx(9.97, rel=5e-3)
    others = [test for name, test in tests.items() if name != "riser-1"]
    assert all(isinstance(test, RatioTest) and test.p == 1.0 for test in others)


def test_a_silent_link_takes_no_part() -> None:
    tests = each_against_the_others({"riser-1": (3, 24.0), "riser-2": (0, 0.0)})
    assert isinstance(tests["riser-2"], NotEnough)
    assert isinstance(tests["riser-1"], NotEnough)
    assert "sibling" in str(tests["riser-1"])
    assert each_against_the_others({}) == {}


def test_nothing_on_either_side_shows_nothing() -> None:
    test = known(against_siblings(0, 24.0, 0, 72.0))
    assert test.ratio is None
    assert test.p == 1.0
    assert (test.ratio_bounds().lower, test.ratio_bounds().upper) == (0.0, math.inf)


def test_nothing_watched_gives_no_verdict() -> None:
    assert isinstance(against_siblings(3, 0.0, 4, 72.0), NotEnough)
    assert isinstance(against_siblings(3, 24.0, 0, 0.0), NotEnough)
    assert isinstance(against_history(3, 0.0, 4, 72.0), NotEnough)
    assert isinstance(against_history(3, 24.0, 0, 0.0), NotEnough)


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="number of events"):
        against_siblings(-1, 1.0, 0, 1.0)
    with pytest.raises(ValueError, match="exposure"):
        against_history(1, 1.0, 0, -1.0)
