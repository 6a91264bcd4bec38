"""restarted-unasked: the whole box went down without being shut down, as its drives counted.

A drive that is told to stop before its power goes counts nothing; one whose power goes while it works counts an unsafe
shutdown. Where most drives of the box count one from one boot to the next, nobody shut it down. A reset that leaves the
drives their power is not counted by them, and not seen here.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.advice import OPEN_CASE, Step, advise
from laneproof.findings import Finding, Kind, Severity, format_time
from laneproof.rules.example_past import power_cut_past, quiet_snapshot
from laneproof.rules.rule import Example, Pass, Rule
from laneproof.rules.sign_subjects import DAY, say_times, watched_drives

NAME = "restarted-unasked"
CLEAR_SECONDS = 7 * DAY
"""How long it stays after the last one. Judgement."""
_BOX = "the box"
_MOST_A_START = 2  # more than a start can count is other firmware that counts in another way
_A_HABIT = 3  # so many starts, and every one counted


@dataclass(frozen=True, slots=True, kw_only=True)
class _Restart:
    """One boot that began without a shutdown before it.

    Attributes:
        began_at: When, ledger time.
        counted: The drives that counted a loss of power.
        asked: How many drives could have counted one.
    """

    began_at: float
    counted: tuple[str, ...]
    asked: int


def _judge(current: Pass) -> Iterator[Finding]:
    restarts = list(_find_restarts(current))
    if restarts:
        yield _tell(current, restarts)


def _find_restarts(current: Pass) -> Iterator[_Restart]:
    ledger = current.past.ledger
    boots = ledger.boot_times
    counted: dict[float, list[str]] = {}
    drives = [place for place in watched_drives(current) if place.drive is not None and place.drive.health_since]
    for place in drives:
        for rise in place.drive.risen("unsafe_shutdowns", ledger.now - CLEAR_SECONDS) if place.drive else ():
            number = bisect_right(boots, rise.at) - 1
            if rise.boots == 1 and rise.by <= _MOST_A_START and number >= 0:
                counted.setdefault(boots[number], []).append(place.name)
    for began_at, names in sorted(counted.items()):
        asked = sum(1 for place in drives if place.drive and place.drive.health_since < began_at < place.drive.last_at)
        if len(names) * 2 > asked:
            yield _Restart(began_at=began_at, counted=tuple(names), asked=asked)


def _tell(current: Pass, restarts: list[_Restart]) -> Finding:
    last = restarts[-1]
    when = format_time(current.past.ledger.timeline.to_wall(last.began_at))
    boots = sum(1 for began_at in current.past.ledger.boot_times if began_at >= restarts[0].began_at)
    habit = ""
    if len(restarts) >= _A_HABIT and len(restarts) == boots:
        habit = (
            ". They did at each start: if it was shut down in good order, the board cuts the drives' power before they "
            "have stopped"
        )
    often = f"{say_times(len(restarts))} in the last 7 days, last" if len(restarts) > 1 else "once,"
    return Finding(
        rule=NAME,
        kind=Kind.SIGN,
        severity=Severity.NOTICE,
        subject=_BOX,
        key=_BOX,
        summary=(
            f"{_BOX} started without having been shut down {often} at {when}: {len(last.counted)} of "
            f"{say_times(last.asked, 'drive')} counted a loss of power ({', '.join(last.counted)}){habit}"
        ),
        observed="started without a shutdown",
        evidence={"restarts": len(restarts), "last_at": when, "drives_that_counted": list(last.counted)},
        next_steps=RESTARTED_UNASKED.look_next,
    )


RESTARTED_UNASKED = Rule(
    name=NAME,
    kind=Kind.SIGN,
    statement="The box stops only when it is shut down.",
    why=(
        "A drive whose power goes without a word counts an unsafe shutdown. Where most drives count one from one boot "
        "to the next, the mains went, somebody pressed a button, or the supply, the board or the processor gave up: "
        "writes on their way were lost, and arrays have to be checked. It is a notice, since the owner may well know "
        "why; drives that count each stop in good order are taken for such. A reset that leaves the drives their power "
        "is not seen. It clears after seven days without."
    ),
    look_next=advise(
        "If the mains went or somebody switched it off, keep that with the box's past: 'laneproof note' and a word.",
        "Else read the end of the journal of the boot before ('journalctl -b -1 -e'): where it stops without a "
        "shutdown, the power went or the board reset itself; a kernel that crashed often left its last words there.",
        "See that arrays are whole and file systems writable (array-degraded, file-system-read-only).",
        Step("If it happens again, look at the supply, its cables and the processor's cooling.", (OPEN_CASE,)),
    ),
    judge=_judge,
    examples=(
        Example(
            says="restarted in good order: no drive counted",
            build=None,
            snapshot=quiet_snapshot,
            make_past=lambda: power_cut_past(()),
            expect=(),
        ),
        Example(
            says="one of four drives counted: that drive's own matter",
            build=None,
            snapshot=quiet_snapshot,
            make_past=lambda: power_cut_past((0,)),
            expect=(),
        ),
        Example(
            says="all four drives lost their power before the last boot",
            build=None,
            snapshot=quiet_snapshot,
            make_past=lambda: power_cut_past((0, 1, 2, 3)),
            expect=("sign notice the box | at 0000:00/01.1, nvme1 at 0000:00/01.2, nvme2 at | If the mains went",),
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: Unsafe Shutdowns; 3.6.2: shutdown notification",
        "journalctl(1): --boot, --pager-end",
        "Most of the drives: judgement",
    ),
)
