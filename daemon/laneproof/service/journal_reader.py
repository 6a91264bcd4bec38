"""Reads back from the journal what the ring of the kernel's log did not give.

The ring is short, and gone with its boot: what the kernel said before the program began may be overwritten, what it
said last before a machine hung stands in the journal only. Where the journal was kept, it still says what happened.

Rules of this module: each record is taken once (what the ring or an earlier run gave is passed over); what a boot said
that this box's ledger never saw is reported as history and judges nothing, since nobody knows where its names led.
"""

import logging
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from queue import SimpleQueue
from threading import Thread

from laneproof.past.ledger import Ledger
from laneproof_collectors.host import Host
from laneproof_collectors.kernel_log.reading import (
    KernelEvents,
    TimedKernelEvent,
    kernel_events,
    missed_events,
    parse_journal_record,
)
from laneproof_collectors.unread import Reason, Unread

_log = logging.getLogger(__name__)

THIS_BOOT, BOOT_BEFORE = 0, -1
MOST_LINES = 20_000
FIRST_LINES = 2_000
"""How far back the boot before is read where nobody watched it."""
SLACK_SECONDS = 60.0
"""How much earlier than needed the journal is asked: it notes when it received a line, not when it was said."""
APART_SECONDS = 60.0
"""How far apart the journal is asked for this boot at least: a flood overruns the ring again and again."""
MOST_SEEN = 4000
BOOT_ID_FILE = "/proc/sys/kernel/random/boot_id"


@dataclass(frozen=True, slots=True, kw_only=True)
class LastRead:
    """What an earlier run, or this one, has taken of the kernel's log so far.

    Attributes:
        boot_id: The boot that it was of, empty where there was none.
        up_seconds: The last pass in that boot, seconds since boot without sleep.
        unix_seconds: The same by the machine's clock.
        stamp: The stamp of the last record that was read, by the log's own clock; None where it is not known. That
            clock is not steered, and drifts from the other by minutes in months. Source: Linux
            kernel/printk/printk.c, ``local_clock``; dmesg(1), ``--ctime``.
    """

    boot_id: str = ""
    up_seconds: float = 0.0
    unix_seconds: float = 0.0
    stamp: float | None = None

    @classmethod
    def of(cls, ledger: Ledger) -> "LastRead":
        """Give what the ledger says of it."""
        timeline = ledger.timeline
        if not timeline.boots:
            return cls()
        return cls(
            boot_id=timeline.boot_id,
            up_seconds=timeline.kernel_seconds,
            unix_seconds=timeline.wall,
            stamp=ledger.kernel_until if ledger.kernel_until >= 0.0 else None,
        )

    def has(self, up_seconds: float) -> bool:
        """Whether a record of that boot, by its stamp, was taken."""
        return up_seconds <= (self.up_seconds if self.stamp is None else self.stamp)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalAnswer:
    """What the journal had.

    Attributes:
        boot: The boot that was asked for: 0, or -1 for the one before.
        to_judge: Events that the engine has not seen, of a boot that the ledger knows.
        to_report: Events that only the history reports.
        problem: Why the journal could not be read, None where it was.
    """

    boot: int
    to_judge: tuple[TimedKernelEvent, ...] = ()
    to_report: tuple[TimedKernelEvent, ...] = ()
    problem: Unread | None = None


class JournalReader:
    """Asks the journal in a thread of its own, which may take half a minute."""

    def __init__(self, host: Host, wake: Callable[[], None]) -> None:
        """Begin with nothing asked; `wake` is called when there is something to collect."""
        self._host, self._wake = host, wake
        self._found: SimpleQueue[JournalAnswer] = SimpleQueue()
        self._away: set[int] = set()
        self._goes_on = False
        self._again: tuple[LastRead, tuple[TimedKernelEvent, ...]] | None = None
        self._asked_at = float("-inf")

    @property
    def is_away(self) -> bool:
        """Whether an answer is awaited."""
        return bool(self._away)

    @property
    def is_behind(self) -> bool:
        """Whether records of this boot were lost since the journal was last asked for them, or are being asked for."""
        return self._again is not None or THIS_BOOT in self._away

    def begin(self, known: LastRead) -> None:
        """Ask for what the boot before said last, unless an earlier run was already in this boot, or may have been."""
        running = self._read_boot_id()
        if running is None:
            return  # else each start would report the boot before again
        self._goes_on = is_same_boot(running, known.boot_id)
        if not self._goes_on:
            self._ask(BOOT_BEFORE, known, seen=())

    def has_lost(self, kernel: KernelEvents, known: LastRead) -> bool:
        """Whether records were overwritten that neither this run nor the one before it in this boot has read."""
        goes_on, up = self._goes_on, kernel.begins_up_seconds
        if kernel.records:
            self._goes_on = False  # the run before has read up to where this one begins; from here on it is this one's
        return bool(kernel.lost) and not (goes_on and up is not None and known.has(up))

    def ask_this_boot(self, known: LastRead, seen: Iterable[TimedKernelEvent]) -> None:
        """Ask for what this boot said after a time, and the ring did not give.

        Args:
            known: Until when all was taken; all of this boot where that was in another.
            seen: What the ring gave around it.
        """
        if THIS_BOOT in self._away or time.monotonic() - self._asked_at < APART_SECONDS:
            before, given = self._again or (known, ())
            self._again = before, (*given, *seen)[-MOST_SEEN:]
            return
        self._asked_at = time.monotonic()
        self._ask(THIS_BOOT, known, seen=tuple(seen))

    def collect(self) -> list[JournalAnswer]:
        """Collect what came."""
        found = [self._found.get() for _ in range(self._found.qsize())]  # nobody else takes from it
        self._away.difference_update(answer.boot for answer in found)
        if self._again is not None and THIS_BOOT not in self._away:
            (known, seen), self._again = self._again, None
            self.ask_this_boot(known, seen)  # waits on where the last time is not long ago
        return found

    def _read_boot_id(self) -> str | None:
        running = self._host.file(BOOT_ID_FILE)
        return None if isinstance(running, Unread) else running.decode("ascii", "replace")

    def _ask(self, boot: int, known: LastRead, *, seen: tuple[TimedKernelEvent, ...]) -> None:
        self._away.add(boot)
        try:
            Thread(target=self._read, args=(boot, known, seen), name="read-back", daemon=True).start()
        except RuntimeError as error:  # the system gives no thread
            problem = Unread("the journal", f"it could not be read: {error}", Reason.EXHAUSTED)
            self._found.put(JournalAnswer(boot=boot, problem=problem))

    def _read(self, boot: int, known: LastRead, seen: tuple[TimedKernelEvent, ...]) -> None:
        # before its clock was set, a boot's journal may lie anywhere in time
        is_of_it = known.boot_id and (boot == BOOT_BEFORE or is_same_boot(self._read_boot_id() or "", known.boot_id))
        since = known.unix_seconds - SLACK_SECONDS if is_of_it else None
        lines = FIRST_LINES if boot == BOOT_BEFORE and not known.boot_id else MOST_LINES
        answer = self._host.journal(boot, lines, since)
        if isinstance(answer, Unread):
            found = JournalAnswer(boot=boot, problem=answer)
        else:
            records = (record for line in answer if not isinstance(record := parse_journal_record(line), Unread))
            found = find_new_events(boot, kernel_events(records), known, seen)
        self._found.put(found)
        self._wake()


def is_same_boot(boot_id: str, other: str) -> bool:
    """Whether two identifiers are of one boot: the journal writes them without dashes."""
    return bool(boot_id) and boot_id.strip().replace("-", "") == other.strip().replace("-", "")


def find_new_events(
    boot: int, events: Iterable[TimedKernelEvent], known: LastRead, seen: Iterable[TimedKernelEvent] = ()
) -> JournalAnswer:
    """Find what the journal had of a boot, and nobody took or the ring gave: it is judged, or only reported."""
    given = tuple(events)
    of_known = [is_same_boot(event.boot_id or "", known.boot_id) for event in given]
    new = [
        event
        for event, is_known in zip(given, of_known, strict=True)
        if not is_known or event.up_seconds is None or not known.has(event.up_seconds)
    ]
    if boot == THIS_BOOT:
        boot_id = next((event.boot_id for event in given if event.boot_id), None)
        missed = missed_events(new, seen, boot_id=boot_id)
        # the ring's clock is the one that the readings of this boot have as well
        return JournalAnswer(
            boot=boot, to_judge=tuple(replace(event, unix_seconds=None, boot_id=None) for event in missed)
        )
    if not known.boot_id or not all(of_known):
        return JournalAnswer(boot=boot, to_report=tuple(new))
    return JournalAnswer(boot=boot, to_judge=tuple(_date(event, known) for event in new))


def _date(event: TimedKernelEvent, known: LastRead) -> TimedKernelEvent:
    """Date an event by the last pass of its boot, not by when the journal received it."""
    if event.up_seconds is None:
        return event
    return replace(event, unix_seconds=known.unix_seconds + event.up_seconds - known.up_seconds)
