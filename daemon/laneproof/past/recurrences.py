"""Alarms that come and go: when each of them came, and when it was last seen."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from laneproof.past.timeline import Timeline

KEPT_SECONDS = 14 * 86400.0
"""How long a time at which an alarm came is kept. Our choice."""
_MOST_TIMES = 50


@dataclass(slots=True, kw_only=True)
class Recurrence:
    """One alarm over time."""

    came: list[float] = field(default_factory=list)  # when it came, oldest first, ledger time
    seen_at: float = 0.0


@dataclass(slots=True, kw_only=True)
class RecurrenceBook:
    """All such alarms, by rule and subject."""

    records: dict[str, Recurrence] = field(default_factory=dict)

    def of(self, identity: tuple[str, str]) -> Recurrence | None:
        """Give what is known of an alarm."""
        return self.records.get(" ".join(identity))

    def note(self, identities: Iterable[tuple[str, str]], timeline: Timeline) -> None:
        """Note the alarms that one pass saw; one that the pass before did not see came with this one."""
        now = timeline.now
        for identity in identities:
            record = self.records.setdefault(" ".join(identity), Recurrence())
            if not record.came or record.seen_at < timeline.before:
                record.came = [at for at in (*record.came[1 - _MOST_TIMES :], now) if now - at <= KEPT_SECONDS]
            record.seen_at = now
        self.records = {name: record for name, record in self.records.items() if now - record.seen_at <= KEPT_SECONDS}
