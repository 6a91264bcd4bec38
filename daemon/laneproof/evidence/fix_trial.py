"""A fix on trial: how much clean time is needed before it counts as one, and whether it has passed."""

import math
from dataclasses import dataclass
from enum import StrEnum

from laneproof.evidence.bit_error_ratio import SPECIFIED_ERROR_RATIO, bits_carried
from laneproof.evidence.distributions import (
    log_negative_binomial_at_most,
    poisson_upper,
    require_count,
    require_exposure,
)
from laneproof.evidence.not_enough import NotEnough

TRIAL_ALPHA = 0.05
"""How often a fix that does nothing would pass."""


class TrialOutcome(StrEnum):
    """How a trial stands."""

    COUNTING = "counting"  # clean so far, not for long enough
    CURED = "cured"  # clean for as long as was needed
    BETTER = "better"  # not clean, but rarer than chance allows for a fix that does nothing
    NOT_CURED = "not-cured"  # it happened again


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialVerdict:
    """How a fix on trial stands."""

    outcome: TrialOutcome
    needed_seconds: float  # clean time needed, or exposure in whatever unit was given
    remaining_seconds: float  # of that, what is still to come; 0 once it is over
    log_p: float  # ln of the chance that so few events would come if the fix did nothing


def clean_time_needed(events: int, seconds: float, alpha: float = TRIAL_ALPHA) -> float | NotEnough:
    """How long must it stay clean (T15)?

    Args:
        events: Events before the change.
        seconds: Time (or bits) in which they came.
        alpha: How often a fix that does nothing may pass.

    Returns:
        The clean time, in the unit of `seconds`: T0 (alpha^(-1 / (k + 1/2)) - 1). The plain "three over the rate" is
        too short, since the rate itself is known only from a few events.

    Raises:
        ValueError: A negative number, or an alpha that does not lie between 0 and 1.

    Source: P(X = 0) of the negative binomial predictive distribution with Jeffreys' prior, solved for the time.
    """
    require_count(events, "the number of events")
    require_exposure(seconds, "the time before")
    if not 0.0 < alpha < 1.0:
        raise ValueError(f"alpha must lie between 0 and 1, not {alpha!r}")
    if events == 0 or seconds == 0.0:
        return NotEnough("nothing had happened before the change, so nothing can be cured")
    return seconds * math.expm1(-math.log(alpha) / (events + 0.5))


def judge_trial(
    events_before: int, seconds_before: float, events_after: int, seconds_after: float, alpha: float = TRIAL_ALPHA
) -> TrialVerdict | NotEnough:
    """Did the fix work (T15)? Time may be bits, before and after alike.

    `alpha` is how often a fix that does nothing may pass.

    Raises:
        ValueError: A negative number, or an alpha that does not lie between 0 and 1.

    Source: negative binomial predictive distribution with Jeffreys' prior.
    """
    require_count(events_after, "the number of events since")
    require_exposure(seconds_after, "the time since")
    needed = clean_time_needed(events_before, seconds_before, alpha)
    if isinstance(needed, NotEnough):
        return needed
    whole = seconds_before + seconds_after
    log_p = log_negative_binomial_at_most(
        events_after, events_before + 0.5, seconds_before / whole, seconds_after / whole
    )
    remaining = max(0.0, needed - seconds_after)
    if events_after:
        outcome = TrialOutcome.BETTER if log_p <= math.log(alpha) else TrialOutcome.NOT_CURED
    else:
        outcome = TrialOutcome.COUNTING if remaining > 0.0 else TrialOutcome.CURED
    return TrialVerdict(outcome=outcome, needed_seconds=needed, remaining_seconds=remaining, log_p=log_p)


def acceptance_seconds(*, gt_s: float, lanes: int) -> float | NotEnough:
    """How long must a new path run without one error to show that it is within the specification (T15)?

    Args:
        gt_s: Trained rate, GT/s.
        lanes: Trained lanes.

    Returns:
        Seconds of steady traffic in each direction. This shows a bit error ratio below 1e-12 and no more: a day under
        load and a comparison with its siblings come after it.

    Raises:
        ValueError: A negative number.

    Source: no event in -ln 0.05 expected ones; exact Poisson bound for none.
    """
    bits_per_second = bits_carried(gt_s=gt_s, lanes=lanes, seconds=1.0)
    if bits_per_second == 0.0:
        return NotEnough("the link is down")
    return poisson_upper(0, TRIAL_ALPHA) / SPECIFIED_ERROR_RATIO / bits_per_second
