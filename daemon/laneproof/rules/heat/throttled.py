"""throttled: what heat does to a drive's pace."""

from collections.abc import Iterator

from laneproof.advice import HEAT_SINK, MORE_AIR, advise
from laneproof.evidence.heat import is_slow_for_heat
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import DriveRecord
from laneproof.past.ledger import Ledger
from laneproof.rules.heat.overheating import WEEK, find_heat, find_throttles
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import HOUR, make_sign, say_times, watched_drives


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for watched, record in watched_drives(current):
        if find_heat(current.past, watched, record) is not None:
            continue  # reported as overheating, which is the reason
        times = sum(throttle.by for throttle in find_throttles(record, ledger.now - WEEK))
        if times:
            said = f"slowed itself down for heat {say_times(times)} in the last week"
        elif _is_shown_slow(ledger, record):
            said = "is slow where it is hot, with as much written since its last idle minute"
        else:
            continue
        yield make_sign(
            THROTTLED,
            watched,
            severity=Severity.NOTICE,
            summary=f"{watched.full_name} {said}",
            observed="slower for heat",
            evidence={
                "transitions_in_a_week": times,
                "celsius": record.celsius,
                "warning_celsius": record.warning_celsius,
                "windows_cache_full": list(record.load.full),
                "windows_cache_fresh": list(record.load.fresh),
            },
            follows_drive=True,
        )


def _is_shown_slow(ledger: Ledger, record: DriveRecord) -> bool:
    if not any(record.load.full[:2]) and not any(record.load.fresh[:2]):
        return False  # never hot
    return ledger.remember(
        ("throttled", record.serial),
        int(ledger.now // (6 * HOUR)),
        lambda: is_slow_for_heat(record.load.full, record.load.fresh),
    )


THROTTLED = Rule(
    name="throttled",
    kind=Kind.SIGN,
    statement="No drive slows itself down for heat.",
    why=(
        "A hot drive slows down to cool off, and one whose fast write cache is full slows down too: the two look "
        "alike, since long writing does both. So only two things count: the drive's own count of thermal transitions, "
        "and how slow it was against times in which as much had been written before. The sign clears after a week "
        "without either."
    ),
    next_steps=advise(
        "See whether it wrote much before: a drive that is slow after that and cool has a full cache, which is normal.",
        MORE_AIR,
        HEAT_SINK,
    ),
    judge=_judge,
    examples=(
        holds("it slowed down before the first pass, and not since"),
        sign(
            "it slowed down twice since yesterday",
            "riser-1 (nvme0) slowed itself down for heat 2 times in the last week",
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0: Thermal Management Temperature Transition Count",
        "N. Mantel, W. Haenszel (1959), for windows compared with the cache held fixed",
    ),
)
