"""When each collector is due. Pure: monotonic seconds in, names out.

A collector that has been sent for is not sent for again until it came back; one that stays away past its deadline is
overdue, and the others go on.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

DEADLINE_SECONDS = 30.0
"""How long one collector's pass may take before it is said to be stuck."""


@dataclass(slots=True)
class Schedule:
    """The times of all collectors.

    Attributes:
        intervals: Seconds between readings, by group.
    """

    intervals: Mapping[str, float]
    _due_at: dict[str, float] = field(default_factory=dict)
    _away_since: dict[str, float] = field(default_factory=dict)

    def take_due(self, now: float) -> list[str]:
        """Name the groups to read now, and note that they were sent for."""
        due = [
            group for group in self.intervals if group not in self._away_since and self._due_at.get(group, now) <= now
        ]
        for group in due:
            self._away_since[group] = now
            self._due_at[group] = now + self.intervals[group]
        return due

    def came_back(self, group: str) -> None:
        """Note that a collector answered."""
        self._away_since.pop(group, None)

    def hasten(self, groups: Iterable[str], *, at: float) -> None:
        """Make groups due at a time, unless they are due earlier; one that is away is read again when it is back."""
        for group in groups:
            if group in self.intervals:
                self._due_at[group] = min(self._due_at.get(group, at), at)

    def find_overdue(self, now: float) -> dict[str, float]:
        """Name the groups that stay away past their deadline, with the seconds they are away."""
        return {group: now - since for group, since in self._away_since.items() if now - since > DEADLINE_SECONDS}

    def seconds_to_next(self, now: float) -> float:
        """How long to wait at most for the next one to be due."""
        waits = [self._due_at.get(group, now) - now for group in self.intervals if group not in self._away_since]
        return max(0.0, min(waits, default=DEADLINE_SECONDS))
