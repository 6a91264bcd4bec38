"""Whether a link's error rate has changed for good against its own past, followed hour by hour.

An hour with errors is one event, however many there were, so that a burst is one event and a link whose errors come in
bursts is judged by how often they come. While the score stands at zero, and each time it falls back to it, what was
seen is learned as normal; what is under suspicion is not. After any change of path, parts, kernel, firmware, speed or
power policy normal is another, and all is learned again.
"""

import math
from dataclasses import dataclass, replace

from laneproof.evidence.cusum import Cusum, sparse_rate, threshold
from laneproof.evidence.not_enough import NotEnough

HOUR = 3600.0
LEARNING_HOURS = 14 * 24.0
"""So long nothing is said and only learned."""
LEAST_NORMAL_AN_HOUR = 1 / (10 * 24.0)
"""A link with errors on one day in ten is as good as one without."""
CHANGED_RATIO = 10.0
"""The rate that is noticed soonest, in times of the normal one; a score climbs where it is above 3.9 times of it, since
a sound link has several times as many errors at work as at rest."""
HOURS_BETWEEN_FALSE_ALARMS = 87_600.0
"""Ten years. These four are our choice; the last one is the alarm budget's."""

_THRESHOLD = threshold(HOURS_BETWEEN_FALSE_ALARMS)
_HIGHEST = _THRESHOLD + math.log(CHANGED_RATIO)  # an event more than it takes: an alarm ends soon after its cause


@dataclass(slots=True, kw_only=True)
class RateWatch:
    """One link's error rate as it was and as it goes on."""

    hour: int = -1  # the hour that is open, counted from the epoch; -1 for none
    seconds: float = 0.0  # time watched in it
    marked: bool = False  # whether an error was counted in it
    learned_events: int = 0  # hours with errors that count as normal
    learned_hours: float = 0.0  # hours watched that count as normal
    cusum: Cusum | None = None  # the running score; None while too little was learned

    def add(self, now: float, seconds: float, *, marked: bool) -> None:
        """Add one reading: the time watched since the reading before, and whether an error was counted in it."""
        hour = int(now // HOUR)
        if hour != self.hour:
            self._close()
            self.hour, self.seconds, self.marked = hour, 0.0, False
        self.seconds += seconds
        self.marked = self.marked or marked

    def _close(self) -> None:
        events, hours = int(self.marked), self.seconds / HOUR
        if hours <= 0.0:
            return
        if self.cusum is None:
            self._learn(events, hours)
            return
        before, self.cusum = self.cusum, self.cusum.after(events, hours)
        if self.cusum.score == 0.0:
            self._learn(before.climbing_events + events, before.climbing_exposure + hours)
        elif self.cusum.score > _HIGHEST:
            self.cusum = replace(self.cusum, score=_HIGHEST)

    def _learn(self, events: int, hours: float) -> None:
        self.learned_events += events
        self.learned_hours += hours
        rate = sparse_rate(self.learned_events, self.learned_hours)
        if self.learned_hours < LEARNING_HOURS or isinstance(rate, NotEnough):
            return
        normal = max(rate, LEAST_NORMAL_AN_HOUR)
        self.cusum = Cusum(normal_rate=normal, changed_rate=CHANGED_RATIO * normal, threshold=_THRESHOLD)
