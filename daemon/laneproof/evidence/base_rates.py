"""What an alarm is worth, and what a few drives can say of their failure rate: less than it seems."""

from dataclasses import dataclass

from laneproof.evidence.counts import (
    CONFIDENCE,
    Bounds,
    poisson_bounds,
    poisson_upper,
    require_count,
    require_exposure,
    require_share,
)
from laneproof.evidence.not_enough import NotEnough

DAYS_PER_YEAR = 365.0


def share_of_true_alarms(prior: float, sensitivity: float, false_alarms: float) -> float | NotEnough:
    """How many of the alarms are true (T16)?

    Args:
        prior: Share of cases in which something is wrong.
        sensitivity: Share of those that raise the alarm.
        false_alarms: Share of the others that raise it too.

    Returns:
        The positive predictive value, 0..1.

    Raises:
        ValueError: An argument lies outside of 0..1.

    Source: T. Bayes; positive predictive value.
    """
    require_share(prior, "the prior")
    require_share(sensitivity, "the sensitivity")
    require_share(false_alarms, "the share of false alarms")
    true, false = prior * sensitivity, (1.0 - prior) * false_alarms
    return true / (true + false) if true + false > 0.0 else NotEnough("such an alarm is never raised")


@dataclass(frozen=True, slots=True, kw_only=True)
class YearlyRate:
    """Failures per device and year.

    Attributes:
        per_year: The best figure.
        bounds: Exact two-sided bounds.
        upper_one_sided: What it is below with the same confidence; the only honest figure after no failure.
    """

    per_year: float
    bounds: Bounds
    upper_one_sided: float


def yearly_rate(failures: int, device_days: float, confidence: float = CONFIDENCE) -> YearlyRate | NotEnough:
    """What failure rate do these devices show (T16)?

    Args:
        failures: Failures seen.
        device_days: Days watched, all devices together.
        confidence: 0..1.

    Returns:
        The rate. Six drives in a year without failure leave anything up to one in two a year: a box never learns its
        own failure rate.

    Raises:
        ValueError: A negative number.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods 8.4.5.1.
    """
    require_count(failures, "the number of failures")
    require_exposure(device_days, "the device days")
    require_share(confidence, "the confidence")
    if device_days == 0.0:
        return NotEnough("no device was watched")
    per_failure = DAYS_PER_YEAR / device_days
    return YearlyRate(
        per_year=failures * per_failure,
        bounds=poisson_bounds(failures, confidence).scaled(per_failure),
        upper_one_sided=poisson_upper(failures, 1.0 - confidence) * per_failure,
    )
