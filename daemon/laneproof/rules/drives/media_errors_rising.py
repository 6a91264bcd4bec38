"""media-errors-rising: a drive reports data that it could not give back, and more of it than before."""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.advice import COPY_NOW, REPLACE, advise
from laneproof.evidence.growth import Growth, growth
from laneproof.findings import Cause, Finding, Kind, Severity, format_time, write_time
from laneproof.past.drives import DriveRecord
from laneproof.past.media_errors import find_media_times
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, Watched, make_sign, more_severe, say_times, standing_sign, watched_drives

CLEAR_SECONDS = 90 * DAY
"""How long after the last new error the sign stays: a month after one, another is far likelier than before. Our choice.

Source of the figure: USENIX FAST 2016 (30 % against 2 %).
"""

LIKELY = 0.9
"""How likely it is the drive, whatever else happens at its position; heat and power cuts do it too. Our choice."""

_NEW = "new media errors"
_FASTER = "new media errors, faster and faster"


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for watched, record in watched_drives(current):
        times = find_media_times(record, ledger.episodes) if record.rises or ledger.episodes.media else []
        if times and ledger.now - times[-1][0] <= CLEAR_SECONDS:
            yield _report(current.past, watched, record, times)


def _report(past: Past, watched: Watched, record: DriveRecord, times: list[tuple[float, int]]) -> Finding:
    ledger = past.ledger
    since = min(record.health_since or record.first_at, times[0][0])
    # it happened at some time since the reading before the first that moved
    grown = growth([max(0.0, when - since) for when, _ in times], max(ledger.now - since, 1.0))
    faster = isinstance(grown, Growth) and grown.accelerating
    before = standing_sign(past, watched.identify_drive(MEDIA_ERRORS_RISING.name))
    severity = more_severe(Severity.CRITICAL if faster else Severity.WARNING, before.severity if before else None)
    number = sum(count for _, count in times)
    total = record.counters.get("media_errors")
    counted = f"{say_times(number, 'new media error')}" if number else "the kernel reported data that could not be read"
    own = f", {total} in all" if number else f"; the drive itself counts {total or 'none'}"
    known = own if total is not None else ""
    last_at = ledger.timeline.to_wall(times[-1][0])
    finding = make_sign(
        MEDIA_ERRORS_RISING,
        watched,
        severity=severity,
        summary=(
            f"{watched.full_name}: {counted}, on {say_times(len(times), 'occasion')}{known}; last {write_time(last_at)}"
        ),
        observed=_FASTER if severity is Severity.CRITICAL else _NEW,
        evidence={
            "new_errors": number,
            "occasions": len(times),
            "media_errors": total,
            "last_at": format_time(last_at),
            "watched_days": round((ledger.now - since) / DAY, 1),
            "laplace_u": grown.laplace.u if isinstance(grown, Growth) else None,
            "laplace_p": grown.laplace.p if isinstance(grown, Growth) else None,
            "growth_exponent": grown.power_law.exponent if isinstance(grown, Growth) else None,
            "growth_p": grown.power_law.p if isinstance(grown, Growth) else None,
            "available_spare_percent": record.spare.rows[-1][2] if record.spare.rows else None,
        },
        follows_drive=True,
    )
    lost = "the drive reports data that it could not give back, which no cable and no power setting makes it do"
    because = (lost, "it does so faster and faster") if faster else (lost,)
    return replace(finding, causes=(Cause(cause="drive-failing", probability=LIKELY, because=because),))


MEDIA_ERRORS_RISING = Rule(
    name="media-errors-rising",
    kind=Kind.SIGN,
    statement="No drive reports new media errors.",
    why=(
        "Data that a drive could not give back is gone unless another copy exists. One such error may stay the only "
        "one, but the odds of another within a month are some twenty times those of a drive without. So each new one "
        "is reported at once; where they come faster and faster by two tests it is critical. What a drive had counted "
        "before it was first read is no sign, nor is its number of error log entries, which rises with every command "
        "that it does not know. Its cause is the drive, whatever else happens at its position, since the data come "
        "first. The sign clears 90 days after the last new error."
    ),
    next_steps=advise(
        COPY_NOW, "Run a check of its array, and see which files lie on what could not be read.", REPLACE
    ),
    judge=_judge,
    examples=(
        holds("31 errors, all of them before the first pass"),
        sign(
            "two more than last week",
            "riser-1 (nvme0): 2 new media errors, on 1 occasion, 33 in all; last 2026-09-28 20:13 UTC",
        ),
        holds("the error log fills with refused commands"),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: Media and Data Integrity Errors",
        "USENIX FAST 2016, flash reliability in production: 30 % against 2 % in the month after an error",
        "NIST/SEMATECH e-Handbook of Statistical Methods 8.2.3.4: tests for growth",
    ),
)
