"""When each collector is due. Pure: monotonic seconds in, names out.

A collector that has been sent for is not sent for again until it came back; one that stays away past its deadline is
overdue, and the others go on.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

DEADLINE_SECONDS = 30.0
"""How long one collector's pass may take before it is said to be stuck."""

TOGETHER_SECONDS = 0.5
"""How long what came back waits for what was sent for with it, so that one judgement takes all of it."""


@dataclass(slots=True)
class Schedule:
    """The times of all collectors."""

    intervals: Mapping[str, float]
    """Seconds between readings, by group."""
    _due_at: dict[str, float] = field(default_factory=dict)
    _away_since: dict[str, float] = field(default_factory=dict)
    _back_since: float | None = None

    def take_due(self, now: float) -> list[str]:
        """Name the groups to read now, and note that they were sent for."""
        due = [
            group for group in self.intervals if group not in self._away_since and self._due_at.get(group, now) <= now
        ]
        for group in due:
            self._away_since[group] = now
            self._due_at[group] = now + self.intervals[group]
        return due

    def came_back(self, group: str, now: float) -> None:
        """Note that a collector answered."""
        self._away_since.pop(group, None)
        self._back_since = now if self._back_since is None else self._back_since

    def take_together(self, now: float) -> bool:
        """Whether what came back is to be judged now; what is away for longer than the others is not waited for."""
        if self._back_since is None or self._seconds_together(now) > 0:
            return False
        self._back_since = None
        return True

    def _seconds_together(self, now: float) -> float:
        """How long what came back waits at most for the others."""
        latest = max(self._away_since.values(), default=float("-inf"))
        return min(latest, self._back_since or now) + TOGETHER_SECONDS - now

    def hasten(self, groups: Iterable[str], *, at: float) -> None:
        """Make groups due at a time, unless they are due earlier; one that is away is read again when it is back."""
        for group in groups:
            if group in self.intervals:
                self._due_at[group] = min(self._due_at.get(group, at), at)

    def find_overdue(self, now: float) -> dict[str, float]:
        """Name the groups that stay away past their deadline, with the seconds they are away."""
        return {group: now - since for group, since in self._away_since.items() if now - since > DEADLINE_SECONDS}

    def seconds_to_next(self, now: float) -> float:
        """How long to wait at most for the next one to be due, or for what is to be judged together."""
        waits = [self._due_at.get(group, now) - now for group in self.intervals if group not in self._away_since]
        if self._back_since is not None:
            waits.append(self._seconds_together(now))
        return max(0.0, min(waits, default=DEADLINE_SECONDS))
