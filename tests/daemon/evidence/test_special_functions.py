"""The special functions against scipy, and where scipy itself is inexact, against sums in forty digits."""

import math
from decimal import Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from laneproof.evidence.special_functions import (
    LogTails,
    beta_quantile,
    gamma_quantile,
    log_beta_tails,
    log_complement,
    log_gamma_tails,
)

SHAPES = st.floats(-0.3, 4.7).map(lambda power: 10.0**power)
SIGMAS = st.floats(-8.0, 8.0)
PROBABILITIES = st.floats(-12.0, -1e-3).map(lambda power: 10.0**power)


def close(ours: float, theirs: float, tolerance: float = 1e-9) -> bool:
    """Agree to nine digits, where the witness is not itself at the end of a float's range."""
    return theirs < 1e-250 or math.isclose(ours, theirs, rel_tol=tolerance)


@given(a=SHAPES, sigmas=SIGMAS)
def test_gamma_tails_agree_with_scipy(a: float, sigmas: float) -> None:
    x = max(a + sigmas * math.sqrt(a), a * 0.01)
    tails = log_gamma_tails(a, x)
    assert close(math.exp(tails.lower), special.gammainc(a, x))
    assert close(math.exp(tails.upper), special.gammaincc(a, x))


@given(a=SHAPES, b=SHAPES, sigmas=SIGMAS)
def test_beta_tails_agree_with_scipy(a: float, b: float, sigmas: float) -> None:
    mean = a / (a + b)
    x = mean + sigmas * math.sqrt(mean * (1 - mean) / (a + b + 1))
    if not 0.0 < x < 1.0:
        x = mean
    tails = log_beta_tails(a, b, x)
    assert close(math.exp(tails.lower), special.betainc(a, b, x))
    assert close(math.exp(tails.upper), special.betaincc(a, b, x))


@given(a=SHAPES, p=PROBABILITIES)
def test_gamma_quantiles_agree_with_scipy(a: float, p: float) -> None:
    assert close(gamma_quantile(a, p), special.gammaincinv(a, p))
    assert close(gamma_quantile(a, p, upper=True), special.gammainccinv(a, p))


@given(a=SHAPES, b=SHAPES, p=PROBABILITIES)
def test_beta_quantiles_agree_with_scipy(a: float, b: float, p: float) -> None:
    low, above_low = beta_quantile(a, b, p)
    high, above_high = beta_quantile(a, b, p, upper=True)
    assert close(low, special.betaincinv(a, b, p))
    assert close(high, special.betainccinv(a, b, p))
    assert close(above_low, special.betainccinv(b, a, p))
    assert close(above_high, special.betaincinv(b, a, p))


def poisson_at_most_in_forty_digits(k: int, mean: int) -> Decimal:
    """Sum P(X <= k) downward from its largest term; ln k! by Stirling's series (DLMF 5.11.1), exact to 1e-40 here."""
    with localcontext() as context:
        context.prec = 60
        n, mu = Decimal(k), Decimal(mean)
        two_pi = Decimal("6.283185307179586476925286766559005768394338798750211641949889")
        log_factorial = n * n.ln() - n + (two_pi * n).ln() / 2
        log_factorial += 1 / (12 * n) - 1 / (360 * n**3) + 1 / (1260 * n**5) - 1 / (1680 * n**7)
        term = total = Decimal(1)
        while term > Decimal(10) ** -30 * total:
            term *= n / mu
            n -= 1
            total += term
        return (Decimal(k) * mu.ln() - mu - log_factorial).exp() * total


@pytest.mark.parametrize(("k", "mean"), [(995_000, 1_000_000), (999_000, 1_000_000), (970_000, 1_000_000)])
def test_a_million_events_keep_nine_digits_against_sums_in_forty_digits(k: int, mean: int) -> None:
    # scipy 1.17's own incomplete gamma function is off by some 1e-6 here, so it cannot be the witness
    witness = poisson_at_most_in_forty_digits(k, mean)
    ours = log_gamma_tails(k + 1.0, mean).upper
    assert math.isclose(ours, float(witness.ln()), rel_tol=1e-12)
    assert math.isclose(math.exp(ours), float(witness), rel_tol=1e-9)


def test_a_probability_below_every_float_stays_a_number_in_logarithms() -> None:
    # P(X >= 1000 | mean 1e-3) is 1e-3^1000 / 1000! to within one part in a million
    tails = log_gamma_tails(1000.0, 1e-3)
    assert math.isclose(tails.lower, 1000 * math.log(1e-3) - math.lgamma(1001.0), rel_tol=1e-6)
    assert tails.lower < math.log(5e-324)
    assert tails.upper == 0.0


@pytest.mark.parametrize(("log_p", "expected"), [(math.log(0.5), math.log(0.5)), (0.0, -math.inf), (1e-18, -math.inf)])
def test_complement_of_a_logarithm(log_p: float, expected: float) -> None:
    assert log_complement(log_p) == pytest.approx(expected)


def test_complement_keeps_digits_at_both_ends() -> None:
    assert log_complement(-1e-15) == pytest.approx(math.log(1e-15), rel=1e-12)
    assert log_complement(-700.0) == pytest.approx(-math.exp(-700.0), rel=1e-12)


def test_ends_of_the_range() -> None:
    assert log_gamma_tails(2.0, 0.0) == log_beta_tails(2.0, 3.0, 0.0) == LogTails(lower=-math.inf, upper=0.0)
    assert log_gamma_tails(2.0, math.inf) == log_beta_tails(2.0, 3.0, 1.0) == LogTails(lower=0.0, upper=-math.inf)
    assert log_gamma_tails(2.0, 5e-324).upper == 0.0
    assert gamma_quantile(2.0, 0.0) == 0.0
    assert gamma_quantile(2.0, 1.0) == math.inf
    assert gamma_quantile(2.0, 0.0, upper=True) == math.inf
    assert beta_quantile(2.0, 3.0, 0.0) == beta_quantile(2.0, 3.0, 1.0, upper=True) == (0.0, 1.0)
    assert beta_quantile(2.0, 3.0, 0.0, upper=True) == beta_quantile(2.0, 3.0, 1.0) == (1.0, 0.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_shape_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="shape"):
        log_gamma_tails(bad, 1.0)
    with pytest.raises(ValueError, match="shape"):
        log_beta_tails(bad, 1.0, 0.5)
    with pytest.raises(ValueError, match="shape"):
        gamma_quantile(bad, 0.5)
    with pytest.raises(ValueError, match="shape"):
        beta_quantile(1.0, bad, 0.5)


def test_a_point_outside_is_refused() -> None:
    with pytest.raises(ValueError, match="point"):
        log_gamma_tails(1.0, -1.0)
    with pytest.raises(ValueError, match="point"):
        log_beta_tails(1.0, 1.0, 1.5)
    with pytest.raises(ValueError, match="probability"):
        gamma_quantile(1.0, 1.5)
    with pytest.raises(ValueError, match="probability"):
        beta_quantile(1.0, 1.0, -0.5)
