"""restarted-unasked: the whole box went down without being shut down, by its drives' counts or by the watch."""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.advice import OPEN_CASE, Step, advise
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.drives import DriveRecord
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, say_times, watched_drives

CLEAR_SECONDS = 7 * DAY
"""How long it stays after the last one. Our choice."""
_BOX = "the box"
_MOST_A_START = 2  # more than one start can add: other firmware counts in another way
_A_HABIT = 3  # so many starts, and every one counted
_LEARNED_FROM = 2  # the last orderly stops


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """One start of the box.

    Attributes:
        began_at: When, ledger time.
        counted: The drives that counted a loss of power without a shutdown.
        cycled: How many drives were given power again.
        asked: How many drives could have counted it.
        stopped: Whether the watch of the boot before was stopped in good order; None where that is not known.
    """

    began_at: float
    counted: tuple[str, ...]
    cycled: int
    asked: int
    stopped: bool | None

    @property
    def most_counted(self) -> bool:
        return len(self.counted) * 2 > self.asked


def _judge(current: Pass) -> Iterator[Finding]:
    starts = list(_find_starts(current))
    recent = [start for start in starts if start.began_at >= current.past.ledger.now - CLEAR_SECONDS]
    restarts = [start for start in recent if _is_unasked(start, starts)]
    if restarts:
        yield _report(current, restarts)


def _is_unasked(start: _Start, starts: list[_Start]) -> bool:
    stops = [other for other in starts if other.stopped and other.began_at < start.began_at]
    learned = [other for other in stops if other.cycled * 2 > other.asked][-_LEARNED_FROM:]
    count_anyway = len(learned) == _LEARNED_FROM and all(other.most_counted for other in learned)
    return start.stopped is False or (start.most_counted and not count_anyway)


def _find_starts(current: Pass) -> Iterator[_Start]:
    ledger = current.past.ledger
    stops = dict(ledger.stops)
    counting = [(watched.name, drive) for watched, drive in watched_drives(current) if drive.health_since]
    unsafe, cycled = (_find_counted(ledger.boot_times, counting, name) for name in ("unsafe_shutdowns", "power_cycles"))
    for began_at in ledger.boot_times:
        yield _Start(
            began_at=began_at,
            counted=tuple(unsafe.get(began_at, ())),
            cycled=len(cycled.get(began_at, ())),
            asked=sum(drive.health_since < began_at <= drive.last_at for _, drive in counting),
            stopped=stops.get(began_at),
        )


def _find_counted(
    boots: Sequence[float], drives: Sequence[tuple[str, DriveRecord]], counter: str
) -> dict[float, list[str]]:
    """Give by boot the drives whose counter moved, by a step or two, since the boot before."""
    counted: dict[float, list[str]] = {}
    for name, drive in drives:
        for rise in drive.risen(counter):
            number = bisect_right(boots, rise.at) - 1
            if rise.boots == 1 and rise.by <= _MOST_A_START and number >= 0:
                counted.setdefault(boots[number], []).append(name)
    return counted


def _report(current: Pass, restarts: list[_Start]) -> Finding:
    last = restarts[-1]
    began_at = current.past.ledger.timeline.to_wall(last.began_at)
    when = write_time(began_at)
    often = f"{say_times(len(restarts))} in the last 7 days, last" if len(restarts) > 1 else "once,"
    names = f" ({', '.join(last.counted)})" if last.counted else ""
    said = f"{len(last.counted)} of {say_times(last.asked, 'drive')} counted a loss of power{names}"
    if last.stopped:
        summary = (
            f"{_BOX} was stopped in good order, and yet its drives lost their power too early {often} at {when}: "
            f"{said}; or the power went later, after the watch was stopped"
        )
    elif last.most_counted:
        summary = (
            f"{_BOX} started {often} at {when}, without having been shut down: {said}{_say_habit(current, restarts)}"
        )
    else:
        summary = (
            f"{_BOX} started {often} at {when}, without having been shut down: the watch of the boot before broke off"
            f"{f', {said}: a reset or a crash that left the drives their power' if last.asked else ''}"
        )
    return RESTARTED_UNASKED.report(
        severity=Severity.NOTICE,
        key=_BOX,
        summary=summary,
        observed="started without a shutdown",
        evidence={
            "restarts": len(restarts),
            "last_at": format_time(began_at),
            "drives_that_counted": list(last.counted),
        },
    )


def _say_habit(current: Pass, restarts: list[_Start]) -> str:
    boots = sum(began_at >= restarts[0].began_at for began_at in current.past.ledger.boot_times)
    if len(restarts) < _A_HABIT or len(restarts) != boots:
        return ""
    return (
        ". They did at each start: if it was shut down in good order, the board cuts the drives' power before they "
        "have stopped"
    )


RESTARTED_UNASKED = Rule(
    name="restarted-unasked",
    kind=Kind.SIGN,
    statement="The box stops only when it is shut down.",
    why=(
        "A drive whose power goes without a word counts an unsafe shutdown. Where most drives count one from one boot "
        "to the next, the mains went, somebody pressed a button, or the supply, the board or the processor gave up: "
        "writes on their way were lost, and arrays have to be checked. A reset or a crash that leaves the drives "
        "their power shows in the daemon: the service manager stops it at each shutdown, and this time nobody did. It "
        "is a notice, since the owner may well know why. Where most drives counted one even at each of the last two "
        "orderly stops, their counts say nothing. It clears after seven days without."
    ),
    next_steps=advise(
        "If the mains went or somebody switched it off, write it down with 'laneproof note'.",
        "Else read the end of the journal of the boot before ('journalctl -b -1 -e'): where it stops without a "
        "shutdown, the power went or the board reset itself; a kernel that crashed often left its last words there.",
        "See that arrays are whole and file systems writable (array-degraded, file-system-read-only).",
        Step("If it happens again, look at the supply, its cables and the processor's cooling.", (OPEN_CASE,)),
    ),
    judge=_judge,
    examples=(
        holds("restarted in good order: no drive counted"),
        holds("one of four drives counted: that drive's own matter"),
        sign(
            "all four drives lost their power before the last boot",
            "the box started once, at 2026-09-22 16:12 UTC, without having been shut down: 4 of 4 drives counted"
            " a loss of power (nvme0 at 0000:00/01.1, nvme1 at 0000:00/01.2, nvme2 at 0000:00/01.3, nvme3 at "
            "0000:00/01.4)",
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: Unsafe Shutdowns; 3.6.2: shutdown notification",
        "systemd.service(5), default dependencies: a service is stopped before the system shuts down",
        "journalctl(1): --boot, --pager-end",
        "Most of the drives: our choice",
    ),
)
