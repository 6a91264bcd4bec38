"""The ledger's own time, which no step of the machine's clock moves.

Within a boot it goes on with the time since boot; from boot to boot with the wall clock, by a day at most: evidence
ages by the time that the machine was on, and a clock that was wrong for a whole boot and is put right neither ages it
nor makes it young. As long as the clock is not stepped, and the machine not off for longer, the two agree.

The kernel's log is stamped by CLOCK_MONOTONIC, which stops in suspend; the time since boot, CLOCK_BOOTTIME, does not.
How far the two are apart is noted with each sleep, so that an event before a sleep keeps its time.
Source: clock_gettime(2); kernel/printk/printk.c, ``local_clock``.
"""

from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

STEP_SECONDS = 60.0
"""A wall clock that moved by more than this against the seconds since boot was set; less is its daily correction.

Our choice; what a clock daemon slews between two passes is far less. The one limit for the ledger and the history."""

LATE_SECONDS = 600.0
"""An event may be reported this long after the pass that should have read it."""
MOST_OFF_SECONDS = 86400.0
"""Time in which the machine was off ages evidence by no more than this. Our choice."""
_SLEPT_SECONDS = 1.0  # the two clocks are not read at the same moment
_MOST_ROWS = 100
_CREDIBLE_UP_SECONDS = 10 * 365.25 * 86400.0  # no box is up for ten years; a recording without uptime may say so


@dataclass(frozen=True, slots=True, kw_only=True)
class PassTime:
    """What one pass means for time."""

    elapsed: float  # seconds since the pass before; 0 for the first
    rebooted: bool  # whether the machine was started in between
    first: bool  # whether it is the first pass at all


@dataclass(slots=True, kw_only=True)
class Timeline:
    """Where the ledger stands in time."""

    now: float = 0.0  # time of the last pass, unix seconds as the first pass had them
    before: float = 0.0
    wall: float = 0.0  # the machine's own clock at the last pass
    up_seconds: float = 0.0  # time since boot at the last pass
    boot_id: str = ""  # the running boot, empty where it could not be read
    boots: int = 0  # how many boots were seen, the running one included
    booted_at: float = 0.0  # when the running boot began
    began_at: float = 0.0  # when the first pass was made
    watched_seconds: float = 0.0  # time between passes of one boot, added up
    up_is_credible: Annotated[bool, Field(alias="up_is_told")] = True  # whether the time since boot can be believed
    # for earlier boots, when each began and how far the machine's clock was from ledger time at its end
    offsets: list[tuple[float, float]] = field(default_factory=list)
    # time since boot without sleep (suspend) at the last pass; None where it was not read
    monotonic_seconds: float | None = None
    # in this boot: time without sleep at the pass before a sleep, and sleep in all by the pass after
    sleeps: list[tuple[float, float]] = field(default_factory=list)
    slept_at: float = 0.0  # when a pass last found that the machine had slept since the pass before; 0 if never

    def advance(
        self, *, taken_at: float, up_seconds: float, boot_id: str, monotonic_seconds: float | None = None
    ) -> PassTime:
        """Go on to the next pass.

        Args:
            taken_at: Its time by the machine's clock, unix seconds.
            up_seconds: Time since boot.
            boot_id: The boot, empty where it could not be read.
            monotonic_seconds: Time since boot without sleep, None where it is not known.
        """
        if self.boots == 0:
            self.now = self.before = self.wall = self.began_at = taken_at
            self._begin_boot(boot_id, up_seconds, since=None)
            self.before = self.booted_at  # the log may hold all that was since boot
            self._note_sleep(monotonic_seconds)
            return PassTime(elapsed=0.0, rebooted=False, first=True)
        rebooted = bool(boot_id) and bool(self.boot_id) and boot_id != self.boot_id
        rebooted = rebooted or (not boot_id and up_seconds < self.up_seconds - 1.0)
        wall, offset = taken_at - self.wall, self.offset
        if rebooted:
            up = up_seconds if self._is_credible(up_seconds, since=max(0.0, wall)) else 0.0
            elapsed = up + min(max(0.0, wall - up), MOST_OFF_SECONDS)
        else:
            up = up_seconds - self.up_seconds
            elapsed = up if up > 0.0 else max(0.0, wall) if up == 0.0 else 0.0
        self.before = self.now
        self.now += elapsed
        if abs(taken_at - offset - self.now) <= STEP_SECONDS:
            self.now = max(self.before, taken_at - offset)  # slewed, not stepped: stay with the clock
            elapsed = self.now - self.before
        self.wall = taken_at
        if rebooted:
            self.offsets = [*self.offsets[1 - _MOST_ROWS :], (self.booted_at, offset)]
            self._begin_boot(boot_id, up_seconds, since=elapsed)
        else:
            self.watched_seconds += elapsed
            self.boot_id = boot_id or self.boot_id
            self.up_seconds = up_seconds
        self._note_sleep(monotonic_seconds)
        return PassTime(elapsed=elapsed, rebooted=rebooted, first=False)

    def _note_sleep(self, monotonic_seconds: float | None) -> None:
        known, self.monotonic_seconds = self.monotonic_seconds, monotonic_seconds
        if monotonic_seconds is None:
            return
        slept, before = self.up_seconds - monotonic_seconds, self.sleeps[-1][1] if self.sleeps else 0.0
        if slept - before > _SLEPT_SECONDS:
            self.sleeps = [*self.sleeps[1 - _MOST_ROWS :], (known or 0.0, slept)]
            self.slept_at = self.now

    @property
    def offset(self) -> float:
        """How far the machine's clock is from ledger time."""
        return self.wall - self.now

    @property
    def kernel_seconds(self) -> float:
        """The last pass as a kernel message would be stamped: without sleep, as far as that is known."""
        return self.up_seconds if self.monotonic_seconds is None else self.monotonic_seconds

    @property
    def slept_seconds(self) -> float:
        """For how long the machine has slept (suspend) in this boot, as far as that is known."""
        return self.sleeps[-1][1] if self.sleeps else 0.0

    def slept_since(self, when: float) -> bool:
        """Whether the machine is known to have slept (suspend) after a moment; drives may have lost their power."""
        return self.slept_at > when

    def _since_boot(self, stamp: float) -> float:
        """Give the time since boot of a stamp that stops in sleep; of one that may lie on either side, the later."""
        return stamp + next((slept for begins, slept in reversed(self.sleeps) if stamp >= begins), 0.0)

    def _is_credible(self, up_seconds: float, *, since: float | None) -> bool:
        return up_seconds < _CREDIBLE_UP_SECONDS and (since is None or up_seconds <= since + STEP_SECONDS)

    def _begin_boot(self, boot_id: str, up_seconds: float, *, since: float | None) -> None:
        self.boots += 1
        self.boot_id = boot_id
        self.monotonic_seconds, self.sleeps = None, []
        self.up_seconds = up_seconds
        self.up_is_credible = self._is_credible(up_seconds, since=since)
        self.booted_at = self.now - up_seconds if self.up_is_credible else self.now

    def is_of_boot_before(self, boot_id: str | None) -> bool:
        """Whether an event's boot is another than the running one; the journal writes its name without dashes."""
        known = self.boot_id.replace("-", "")
        return bool(boot_id) and bool(known) and self.boots > 1 and (boot_id or "").replace("-", "") != known

    def at(self, up_seconds: float | None, unix_seconds: float | None = None, *, boot_before: bool = False) -> float:
        """Date an event of the kernel log.

        Args:
            up_seconds: Its time since boot without sleep, where known.
            unix_seconds: Its time by the machine's clock, where known.
            boot_before: Whether it was logged in the boot before; then it lies between the last pass and this boot.

        Returns:
            Ledger time, no later than this pass; that of this pass where the event's own cannot be.
        """
        if boot_before:
            offset = self.offsets[-1][1] if self.offsets else self.offset
            when = self.before if unix_seconds is None else unix_seconds - offset
            return max(self.before, min(when, self.booted_at))
        if unix_seconds is not None:
            when = unix_seconds + self.now - self.wall
        elif up_seconds is None:
            return self.now
        elif self.up_is_credible:
            when = self.now - max(0.0, self.up_seconds - self._since_boot(up_seconds))
        else:  # an event lies before the pass that reads it, so the boot lies at least that far back
            since_boot = self._since_boot(up_seconds)
            self.booted_at = min(self.booted_at, self.now - since_boot)
            when = self.booted_at + since_boot
        earliest = max(self.booted_at, self.before - LATE_SECONDS)
        return when if earliest <= when <= self.now else self.now

    def to_wall(self, when: float) -> float:
        """Give a ledger time as the machine's clock shows it now; of an earlier boot, as it showed it then."""
        rows = self.offsets if when < self.booted_at else []
        offset = next((offset for began, offset in reversed(rows) if when >= began), None)
        if offset is None:
            offset = rows[0][1] if rows else self.offset
        return when + offset
