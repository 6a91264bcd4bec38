"""drive-fail-slow: a drive that answers at half the pace of its siblings under the same load."""

from collections.abc import Iterator

from laneproof.advice import BACK_UP, REPLACE, advise
from laneproof.evidence.alarm_budget import ALARM_P, NOTICE_P
from laneproof.evidence.fail_slow import SlowSpell, is_slow_for_days, slow_blocks
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Kind, Severity, format_time
from laneproof.past.drive_load import LoadRecord
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, Watched, make_sign, more_severe, say_times, standing_sign, watched_drives

LOOK_BACK_SECONDS = 14 * DAY
"""What lies further back is old: the sign clears. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    for watched, record in watched_drives(current):
        if record.load.spells and (finding := _judge_drive(current.past, watched, record.load)) is not None:
            yield finding


def count_blocks(load: LoadRecord, since: float) -> tuple[int, int]:
    """Give the hours in which a drive was slow, and those in which it could be compared."""
    days = [day for day in load.slow_days if (day.day + 1) * DAY > since]
    return sum(len(day.slow_hours) for day in days), sum(len(day.hours) for day in days)


def _judge_drive(past: Past, watched: Watched, load: LoadRecord) -> Finding | None:
    ledger = past.ledger
    since = ledger.now - LOOK_BACK_SECONDS
    spells = [
        SlowSpell(began=began, ended=ended, mean_ratio=ratio) for began, ended, ratio in load.spells if ended >= since
    ]
    slow, hours = count_blocks(load, since)
    surprise = slow_blocks(slow, hours) if spells else NotEnough("it was never slow")
    if isinstance(surprise, NotEnough) or surprise.p > NOTICE_P:
        return None
    is_alarm = surprise.p <= ALARM_P and is_slow_for_days(spells)
    before = standing_sign(past, watched.identify_drive(DRIVE_FAIL_SLOW.name))
    severity = more_severe(Severity.WARNING if is_alarm else Severity.NOTICE, before.severity if before else None)
    worst = max(spell.mean_ratio for spell in spells)
    return make_sign(
        DRIVE_FAIL_SLOW,
        watched,
        severity=severity,
        summary=(
            f"{watched.full_name} was slow against its siblings {say_times(len(spells))} in two weeks, in "
            f"{slow} of {say_times(hours, 'hour')} that could be compared, up to {worst:.1f} times their latency"
        ),
        observed="slow against its siblings",
        evidence={
            "spells": len(spells),
            "slow_hours": slow,
            "compared_hours": hours,
            "worst_ratio": round(worst, 2),
            "p": surprise.p,
            "last_at": format_time(ledger.timeline.to_wall(spells[-1].ended)),
        },
        follows_drive=True,
    )


DRIVE_FAIL_SLOW = Rule(
    name="drive-fail-slow",
    kind=Kind.SIGN,
    statement="No drive answers at half its siblings' pace under the same load.",
    why=(
        "A drive can fail slowly: it answers, but late, and holds up its whole array, while all its counters look "
        "well. Fixed limits fail, since every drive is slow under load; so it is compared with at least three siblings "
        "in the same window and with nearly the same load, and must be twice as slow for five minutes. Ordinary drives "
        "are so in 0.6 % of their hours: it takes more than chance makes of that for a notice, and three times on two "
        "days, or three days on end, for an alarm. The sign clears once the last such hours are two weeks old."
    ),
    next_steps=advise(
        "See whether it is hot (throttled, overheating), or busy with something its siblings are not.",
        "See whether its link makes errors or trained below what both ends can do.",
        BACK_UP,
        REPLACE,
    ),
    judge=_judge,
    examples=(
        holds("all four at the same pace"),
        sign(
            "one of four takes three times as long, for two days",
            "riser-1 (nvme0) was slow against its siblings 1 time in two weeks, in 48 of 48 hours that could be"
            " compared, up to 3.0 times their latency",
        ),
    ),
    sources=(
        "USENIX ATC 2022, NVMe field study: twice the siblings' latency for five minutes",
        "USENIX FAST 2016, tail latency study: 0.58 % of drive hours at half the peers' pace",
    ),
)
