"""A change of a rate noticed while it happens: the log-likelihood CUSUM.

A score climbs with each event and sinks with each quiet interval; it never falls below zero. It is a value carried from
pass to pass, a few multiplications each time, and must start again after any change of path, kernel, firmware, speed or
power policy.
"""

import math
from dataclasses import dataclass, replace

from laneproof.evidence.distributions import require_count, require_exposure
from laneproof.evidence.not_enough import NotEnough


def threshold(steps_between_false_alarms: float) -> float:
    """How high the score must climb for an alarm.

    Args:
        steps_between_false_alarms: How many steps shall pass, at the least and on average, between false alarms.

    Returns:
        The threshold h: the mean gap is at least e^h steps, whatever the rates.

    Raises:
        ValueError: It is not above one.

    Source: G. Lorden, Procedures for Reacting to a Change in Distribution, Ann. Math. Statist. 42 (1971) 1897.
    """
    if not 1.0 < steps_between_false_alarms < math.inf:
        raise ValueError(f"the steps between false alarms must be a number above 1, not {steps_between_false_alarms!r}")
    return math.log(steps_between_false_alarms)


def sparse_rate(events: int, exposure: float) -> float | NotEnough:
    """What rate to take for normal where hardly anything has happened yet: (events + 1/2) / exposure, above zero.

    Raises:
        ValueError: An argument is negative.

    Source: the mean of a Poisson rate with Jeffreys' prior.
    """
    require_count(events, "the number of events")
    require_exposure(exposure, "the exposure")
    return (events + 0.5) / exposure if exposure > 0.0 else NotEnough("there is no baseline yet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """One running score."""

    normal_rate: float  # events per unit of exposure while nothing is wrong
    changed_rate: float  # the rate to be noticed soonest, above the normal one
    threshold: float  # the score that means alarm
    score: float = 0.0  # the score now
    # exposure since the score last stood at zero: about when the change, if it is one, began
    climbing_exposure: float = 0.0
    climbing_events: int = 0  # events since then

    def __post_init__(self) -> None:
        """Refuse rates that cannot tell a change.

        Raises:
            ValueError: The rates are not positive, not in this order, or the threshold is not above zero.
        """
        if not 0.0 < self.normal_rate < self.changed_rate < math.inf:
            raise ValueError(
                f"the changed rate must lie above the normal one, and that above 0: "
                f"{self.changed_rate!r} and {self.normal_rate!r}"
            )
        if not self.threshold > 0.0:
            raise ValueError(f"the threshold must lie above 0, not {self.threshold!r}")

    @property
    def alarm(self) -> bool:
        """Whether the score has reached the threshold."""
        return self.score >= self.threshold

    def after(self, events: int, exposure: float) -> "Cusum":
        """Add one more interval (T7), its exposure in the unit of the rates.

        Raises:
            ValueError: An argument is negative.

        Source: E. S. Page, Continuous Inspection Schemes, Biometrika 41 (1954) 100; log-likelihood ratio of two Poisson
            rates.
        """
        require_count(events, "the number of events")
        require_exposure(exposure, "the exposure")
        gain = events * math.log(self.changed_rate / self.normal_rate)
        score = self.score + gain - (self.changed_rate - self.normal_rate) * exposure
        if score <= 0.0:
            return replace(self, score=0.0, climbing_exposure=0.0, climbing_events=0)
        return replace(
            self,
            score=score,
            climbing_exposure=self.climbing_exposure + exposure,
            climbing_events=self.climbing_events + events,
        )
