"""Exact count tails and bounds against published tables and scipy."""

import math
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from laneproof.evidence.distributions import (
    Bounds,
    clopper_pearson,
    jeffreys,
    log_binomial_at_least,
    log_negative_binomial_at_least,
    log_negative_binomial_at_most,
    log_poisson_at_least,
    poisson_bounds,
    poisson_lower,
    poisson_upper,
)

COUNTS = st.integers(0, 400)
RATES = st.floats(1e-3, 1e3)
SHARES = st.floats(1e-6, 1.0 - 1e-6)


def close(log_ours: float, theirs: float) -> bool:
    """Agree to nine digits; scipy's own far tails are good to some eight, and end where floats do."""
    return theirs < 1e-250 or math.isclose(math.exp(log_ours), theirs, rel_tol=1e-9 if theirs > 1e-60 else 1e-6)


@pytest.mark.parametrize(
    ("k", "lower", "upper"),
    [(0, 0, 3.6889), (3, 0.6187, 8.7673), (10, 4.7954, 18.3904), (12, 6.2006, 20.9616)],
)
def test_two_sided_poisson_bounds(k: int, lower: float, upper: float) -> None:
    # Garwood's exact limits, 95 %: F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936)
    bounds = poisson_bounds(k)
    assert bounds.lower == pytest.approx(lower, abs=5e-5)
    assert bounds.upper == pytest.approx(upper, abs=5e-5)


def test_no_event_leaves_minus_ln_alpha() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, zero failures: MTBF_lower = T / (-ln alpha)
    assert poisson_upper(0, 0.05) == pytest.approx(-math.log(0.05), rel=1e-12)
    assert poisson_upper(0, 0.05) == pytest.approx(2.9957, abs=5e-5)


@given(k=COUNTS, mean=RATES)
def test_poisson_tails_agree_with_scipy(k: int, mean: float) -> None:
    assert close(log_poisson_at_least(k, mean), stats.poisson.sf(k - 1, mean))


@given(k=COUNTS, alpha=st.floats(1e-10, 0.5))
def test_poisson_bounds_agree_with_chi_square_quantiles(k: int, alpha: float) -> None:
    assert poisson_upper(k, alpha) == pytest.approx(stats.chi2.isf(alpha, 2 * k + 2) / 2, rel=1e-9)
    assert poisson_lower(k, alpha) == pytest.approx(stats.chi2.ppf(alpha, 2 * k) / 2 if k else 0.0, rel=1e-9)


@given(k=COUNTS, extra=COUNTS, p=SHARES)
def test_binomial_tail_agrees_with_scipy(k: int, extra: int, p: float) -> None:
    assert close(log_binomial_at_least(k, k + extra, p), stats.binom.sf(k - 1, k + extra, p))


@given(k=st.integers(1, 120), extra=st.integers(0, 120), p=SHARES)
@settings(max_examples=40)
def test_binomial_tail_agrees_with_exact_fractions(k: int, extra: int, p: float) -> None:
    n, chance = k + extra, Fraction(p)
    terms = (math.comb(n, i) * chance**i * (1 - chance) ** (n - i) for i in range(k, n + 1))
    ours, exact = log_binomial_at_least(k, n, p), float(sum(terms))
    assert exact < 1e-300 or math.isclose(math.exp(ours), exact, rel_tol=1e-11)


@given(k=COUNTS, r=st.floats(0.5, 300.0), p=SHARES)
def test_negative_binomial_tails_agree_with_scipy(k: int, r: float, p: float) -> None:
    assert close(log_negative_binomial_at_least(k, r, p), stats.nbinom.sf(k - 1, r, p))
    assert close(log_negative_binomial_at_most(k, r, p), stats.nbinom.cdf(k, r, p))


@given(k=COUNTS, extra=COUNTS)
def test_clopper_pearson_agrees_with_scipy(k: int, extra: int) -> None:
    n = k + extra
    if n == 0:
        return
    theirs = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    share, odds = clopper_pearson(k, n)
    assert share.lower == pytest.approx(theirs.low, rel=1e-7)  # scipy searches a root, to fewer digits
    assert share.upper == pytest.approx(theirs.high, rel=1e-7)
    # the odds from scipy's own quantiles of both the share and its complement, so that none is a difference
    low = special.betaincinv(k, n - k + 1, 0.025) / special.betainccinv(n - k + 1, k, 0.025) if k else 0.0
    assert odds.lower == pytest.approx(low, rel=1e-9)
    high = special.betainccinv(k + 1, extra, 0.025) / special.betaincinv(extra, k + 1, 0.025) if extra else math.inf
    assert odds.upper == pytest.approx(high, rel=1e-9)


def test_jeffreys_interval_of_two_in_nine() -> None:
    # Quantiles of Beta(2.5, 7.5)
    bounds = jeffreys(2, 9)
    assert bounds.lower == pytest.approx(0.0493, abs=5e-5)
    assert bounds.upper == pytest.approx(0.5438, abs=5e-5)
    assert bounds.upper == pytest.approx(stats.beta.ppf(0.975, 2.5, 7.5), rel=1e-9)


def test_jeffreys_interval_closes_at_its_ends() -> None:
    assert jeffreys(0, 9).lower == 0.0
    assert jeffreys(9, 9).upper == 1.0


def test_a_million_trials_stay_exact() -> None:
    assert close(log_binomial_at_least(501_000, 1_000_000, 0.5), stats.binom.sf(500_999, 1_000_000, 0.5))
    assert close(log_binomial_at_least(1_000, 1_000_000, 9e-4), stats.binom.sf(999, 1_000_000, 9e-4))


def test_what_cannot_happen_and_what_must() -> None:
    assert log_binomial_at_least(3, 2, 0.5) == log_binomial_at_least(1, 2, 0.0) == -math.inf
    assert log_binomial_at_least(2, 2, 1.0) == 0.0


def test_bounds_in_another_unit() -> None:
    assert Bounds(1.0, math.inf).scaled(24.0) == Bounds(24.0, math.inf)


@pytest.mark.parametrize("bad", [-1, 1.5, math.nan])
def test_what_is_no_count_is_refused(bad: Any) -> None:  # noqa: ANN401 (no count)
    with pytest.raises(ValueError, match="whole number"):
        log_poisson_at_least(bad, 1.0)
    with pytest.raises(ValueError, match="whole number"):
        poisson_bounds(bad)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_what_is_no_mean_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="expected number of events"):
        log_poisson_at_least(1, bad)


def test_impossible_shares_are_refused() -> None:
    with pytest.raises(ValueError, match="chance of a success"):
        log_binomial_at_least(1, 2, 1.5)
    with pytest.raises(ValueError, match="3 successes among 2 trials"):
        clopper_pearson(3, 2)
    with pytest.raises(ValueError, match="3 successes among 2 trials"):
        jeffreys(3, 2)
