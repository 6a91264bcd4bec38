"""Exact tails and bounds of counts: Poisson, binomial and negative binomial.

Probabilities come as natural logarithms (``log_...``), since the evidence against a failing link can lie far below the
smallest float. Bounds are exact ones, which cover at least as often as they say.
"""

import math
from dataclasses import dataclass

from laneproof.evidence.special_functions import beta_quantile, gamma_quantile, log_beta_tails, log_gamma_tails

CONFIDENCE = 0.95
_TAIL = (1.0 - CONFIDENCE) / 2.0  # what two-sided bounds leave out at each end


@dataclass(frozen=True, slots=True, kw_only=True)
class Surprise:
    """How surprising data are if nothing is wrong."""

    log_p: float  # natural logarithm of the one-sided probability of such data or worse

    @property
    def p(self) -> float:
        """The probability itself; 0.0 where it lies below every float."""
        return math.exp(self.log_p)


@dataclass(frozen=True, slots=True)
class Bounds:
    """From where to where a true value may lie, given the data; such bounds hold it as often as `CONFIDENCE`."""

    lower: float
    upper: float  # upper end, infinity where the data set none

    def scaled(self, factor: float) -> "Bounds":
        """Give the same bounds in another unit."""
        return Bounds(self.lower * factor, self.upper * factor)


def require_count(k: int, what: str) -> None:
    """Refuse what cannot be a count; the sentence says what was to be counted.

    Raises:
        ValueError: It is negative, or not a whole number.
    """
    if not 0 <= k < math.inf or k != int(k):
        raise ValueError(f"{what} must be a whole number from 0 on, not {k!r}")


def require_exposure(exposure: float, what: str) -> None:
    """Refuse what cannot be an exposure (a time, a number of bits); zero means that nothing was watched.

    Raises:
        ValueError: It is negative, infinite or not a number.
    """
    if not 0.0 <= exposure < math.inf:
        raise ValueError(f"{what} must be a finite number from 0 on, not {exposure!r}")


def require_share(p: float, what: str) -> None:
    """Refuse what cannot be a share or a probability.

    Raises:
        ValueError: It lies outside of 0..1.
    """
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"{what} must lie in 0..1, not {p!r}")


def log_poisson_at_least(k: int, mean: float) -> float:
    """How likely are `k` events or more where `mean` are expected? ln P(X >= k).

    Raises:
        ValueError: A count or mean is negative.

    Source: DLMF 8.4.10: the Poisson tail is the regularised incomplete gamma function P(k, mean).
    """
    require_count(k, "the number of events")
    require_exposure(mean, "the expected number of events")
    return 0.0 if k == 0 else log_gamma_tails(k, mean).lower


def poisson_lower(k: int, alpha: float) -> float:
    """The smallest mean that `k` events do not contradict, at a one-sided error of `alpha`, 0..1.

    Returns:
        Half the chi-square quantile of `alpha` at 2k degrees of freedom; 0 for no event.

    Raises:
        ValueError: The count is negative, or alpha no probability.

    Source: F. Garwood, Biometrika 28 (1936) 437; NIST/SEMATECH e-Handbook of Statistical Methods 8.4.5.1 (same bounds).
    """
    require_count(k, "the number of events")
    require_share(alpha, "alpha")
    return 0.0 if k == 0 else gamma_quantile(k, alpha)


def poisson_upper(k: int, alpha: float) -> float:
    """The largest mean that `k` events do not contradict, at a one-sided error of `alpha`, 0..1.

    Returns:
        Half the chi-square quantile of 1 - `alpha` at 2k + 2 degrees of freedom.

    Raises:
        ValueError: The count is negative, or alpha no probability.

    Source: F. Garwood, Biometrika 28 (1936) 437.
    """
    require_count(k, "the number of events")
    require_share(alpha, "alpha")
    return gamma_quantile(k + 1.0, alpha, upper=True)


def poisson_bounds(k: int) -> Bounds:
    """Exact two-sided bounds for the mean behind `k` events, in events.

    Raises:
        ValueError: The count is negative.

    Source: F. Garwood, Biometrika 28 (1936) 437.
    """
    return Bounds(poisson_lower(k, _TAIL), poisson_upper(k, _TAIL))


def log_binomial_at_least(k: int, n: int, p: float, q: float | None = None) -> float:
    """How likely are `k` successes or more among `n` trials? ln P(X >= k).

    Args:
        k: Successes.
        n: Trials.
        p: Chance of a success in one trial, 0..1.
        q: 1 - p, where it is known more exactly than the subtraction would give it.

    Raises:
        ValueError: A count is negative, or p no probability.

    Source: DLMF 8.17.5: the binomial tail is the regularised incomplete beta function I_p(k, n - k + 1).
    """
    require_count(k, "the number of successes")
    require_count(n, "the number of trials")
    require_share(p, "the chance of a success")
    if k == 0:
        return 0.0
    return -math.inf if k > n else log_beta_tails(k, n - k + 1.0, p, q).lower


def clopper_pearson(k: int, n: int) -> tuple[Bounds, Bounds]:
    """Exact two-sided bounds for the share behind `k` successes of `n`.

    Returns:
        The bounds of the share, and of the odds share / (1 - share), which near 1 keep digits that the share loses.

    Raises:
        ValueError: A count is negative, or more successes than trials.

    Source: C. Clopper, E. Pearson, Biometrika 26 (1934) 404; from memory.
    """
    _require_part(k, n)
    low, above_low = (0.0, 1.0) if k == 0 else beta_quantile(k, n - k + 1.0, _TAIL)
    high, above_high = (1.0, 0.0) if k == n else beta_quantile(k + 1.0, n - k, _TAIL, upper=True)
    return Bounds(low, high), Bounds(low / above_low, high / above_high if above_high > 0.0 else math.inf)


def jeffreys(k: int, n: int) -> Bounds:
    """Bounds for the share behind `k` successes of `n`, less cautious than the exact ones: right on average.

    Returns:
        Quantiles of Beta(k + 1/2, n - k + 1/2); where none or all succeeded, that end is 0 or 1.

    Raises:
        ValueError: A count is negative, or more successes than trials.

    Source: L. Brown, T. Cai, A. DasGupta, Interval Estimation for a Binomial Proportion, Statistical Science 16 (2001).
    """
    _require_part(k, n)
    low = 0.0 if k == 0 else beta_quantile(k + 0.5, n - k + 0.5, _TAIL)[0]
    high = 1.0 if k == n else beta_quantile(k + 0.5, n - k + 0.5, _TAIL, upper=True)[0]
    return Bounds(low, high)


def _require_part(k: int, n: int) -> None:
    require_count(k, "the number of successes")
    if k > n:
        raise ValueError(f"{k} successes among {n} trials")


def log_negative_binomial_at_least(k: int, r: float, p: float, q: float | None = None) -> float:
    """How likely are `k` failures or more before the `r`-th success? ln P(X >= k).

    With a gamma-distributed rate this is what the next count looks like, the rate itself not being known well.

    Args:
        k: Failures.
        r: Successes waited for, above zero, not only whole numbers.
        p: Chance of a success in one trial.
        q: 1 - p, where it is known more exactly than the subtraction would give it.

    Raises:
        ValueError: The count is negative, r not above zero, or p no probability.

    Source: DLMF 8.17; P(X >= k) = I_q(k, r).
    """
    require_count(k, "the number of failures")
    require_share(p, "the chance of a success")
    if k == 0:
        return 0.0
    return log_beta_tails(k, r, 1.0 - p if q is None else q, p).lower


def log_negative_binomial_at_most(k: int, r: float, p: float, q: float | None = None) -> float:
    """How likely are `k` failures or fewer before the `r`-th success? ln P(X <= k).

    Arguments and errors are those of `log_negative_binomial_at_least`.

    Source: DLMF 8.17; P(X <= k) = I_p(r, k + 1).
    """
    require_count(k, "the number of failures")
    require_share(p, "the chance of a success")
    return log_beta_tails(k + 1.0, r, 1.0 - p if q is None else q, p).upper
