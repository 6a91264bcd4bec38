"""Errors of one link with their exposure, by the hour; old hours are folded into days, old days into weeks.

The two ends of a link are two receivers and never added up as if they were independent: one event on the wire shows at
the receiver as an error and at the sender as a replay.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

HOUR = 3600.0
DAY = 86400.0

KEEP_HOURS = 3 * DAY
KEEP_DAYS = 60 * DAY
KEEP_WEEKS = 400 * DAY
"""How far back single hours, days and weeks are kept; what is older is one row."""


@dataclass(slots=True, kw_only=True)
class Tally:
    """What one link carried and which errors were counted in a stretch of time."""

    begins: float  # its begin, ledger time
    span: float = HOUR  # its length in seconds as a bucket, watched or not
    # bits carried in each direction while it was watched, at the trained rate. Time in low-power states is included, so
    # it is at most this
    bits: float = 0.0
    seconds: float = 0.0  # time watched
    units: float = 0.0  # minutes watched, or readings where they came more rarely
    marked: int = 0  # those of them in which an error was counted at either end
    port_errors: int = 0  # the fewest errors that explain the counters of the port's receiver
    device_errors: int = 0  # the same of the device's receiver
    port_replays: int = 0  # replays that the port, as sender, counted: errors at the device's receiver
    device_replays: int = 0  # the same the other way round
    most: int = 0  # receiver errors if each counter counted another event, both ends
    fatal: int = 0  # uncorrectable errors of the link itself

    @property
    def upstream(self) -> int:
        """Errors in the direction from the device to the port."""
        return max(self.port_errors, self.device_replays)

    @property
    def downstream(self) -> int:
        """Errors in the direction from the port to the device."""
        return max(self.device_errors, self.port_replays)

    @property
    def errors(self) -> int:
        """Errors of the direction that has more: the fewest that explain all counters."""
        return max(self.upstream, self.downstream)

    @property
    def is_clean(self) -> bool:
        """Whether nothing was counted."""
        seen = self.marked or self.port_errors or self.device_errors or self.port_replays or self.device_replays
        return not (seen or self.fatal)

    @property
    def is_repeats_alone(self) -> bool:
        """Whether packets were repeated for want of an answer, and next to none was received damaged or was lost.

        One damaged packet in a hundred repeats is what any link makes in such a time; with fewer repeats, none is. No
        number of repeats makes up for an uncorrectable error.
        """
        return self.errors > 0 and not self.fatal and 100 * self.most <= self.errors

    def add(self, other: "Tally") -> None:
        """Add another stretch of time."""
        self.bits += other.bits
        self.seconds += other.seconds
        self.units += other.units
        if other.is_clean:
            return  # nearly every hour of nearly every link
        self.marked += other.marked
        self.port_errors += other.port_errors
        self.device_errors += other.device_errors
        self.port_replays += other.port_replays
        self.device_replays += other.device_replays
        self.most += other.most
        self.fatal += other.fatal


def total(rows: Iterable[Tally], *, begins: float = 0.0) -> Tally:
    """Add up stretches of time."""
    whole = Tally(begins=begins, span=0.0)
    for row in rows:
        whole.add(row)
        whole.span += row.span
    return whole


@dataclass(slots=True, kw_only=True)
class TallySeries:
    """The stretches of one link, oldest first, the last one still open."""

    rows: list[Tally] = field(default_factory=list)

    def open_row(self, now: float) -> Tally:
        """Give the row of the hour; a new hour folds what has become old."""
        hour = now - now % HOUR
        ended = self.rows[-1].begins + self.rows[-1].span if self.rows else 0.0
        if ended <= now:
            begins = max(hour, ended)
            self.rows.append(Tally(begins=begins, span=hour + HOUR - begins))
            self._fold(now)
        return self.rows[-1]

    def close_row(self, now: float) -> None:
        """End the open row, so that what comes belongs to another."""
        if self.rows and self.rows[-1].begins + self.rows[-1].span > now:
            self.rows[-1].span = max(0.0, now - self.rows[-1].begins)

    def since(self, when: float) -> Tally:
        """Add up the rows that began at or after a moment."""
        whole = Tally(begins=when, span=0.0)
        for row in reversed(self.rows):
            if row.begins < when:
                break
            whole.add(row)
            whole.span += row.span
        return whole

    def between(self, begin: float, end: float) -> Tally:
        """Add up the rows that began in a stretch of time, the end left out."""
        return total((row for row in self.rows if begin <= row.begins < end), begins=begin)

    def _fold(self, now: float) -> None:
        for keep, span in ((KEEP_HOURS, DAY), (KEEP_DAYS, 7 * DAY), (KEEP_WEEKS, None)):
            self._fold_beyond(now - keep, span)

    def _fold_beyond(self, limit: float, span: float | None) -> None:
        # rows that end before the limit and lie in the same day (week, or all time) become one
        folded: list[Tally] = []
        for number, row in enumerate(self.rows):
            if row.begins + row.span > limit:
                folded.extend(self.rows[number:])
                break
            begins = 0.0 if span is None else row.begins - row.begins % span
            last = folded[-1] if folded else None
            if last is not None and (span is None or last.begins == begins) and last.span >= (span or 0.0):
                last.add(row)
                if span is None:
                    last.span = row.begins + row.span - last.begins
            elif span is None or row.span >= span:
                folded.append(row)
            else:
                row.begins, row.span = begins, span
                folded.append(row)
        self.rows = folded
