"""spare-low: spare blocks that run out."""

from collections.abc import Iterator

from laneproof.advice import BACK_UP, REPLACE, advise
from laneproof.box.occupants import Occupant
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import WARN_DAYS, Remaining, by_spare, is_spare_low
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.drives.projection import describe_left, falls_short, find_before, project
from laneproof.rules.rule import Pass, Rule, holds, sign, unverified
from laneproof.rules.sign_subjects import Watched, make_sign, say_times, watched_drives
from laneproof_collectors.snapshot import HealthLog
from laneproof_collectors.unread import Reason, Unread

SOON_DAYS = 30.0
"""A spare that runs out so soon is worth an alarm: the drive loses blocks day by day. Our choice."""
_FULL_PERCENT = 100
_FIELDS = {"available_spare_percent", "available_spare_threshold_percent"}
UNFILLED_STEP = (
    "No part is to be replaced for this. What the drive warns of itself is reported by critical-warning; its maker's "
    "documents say whether it reports its spare at all."
)


def _judge(current: Pass) -> Iterator[Finding]:
    unfilled = {drive.serial for drive in current.arrangement.drives if _fills_no_spare(drive)}
    for watched, record in watched_drives(current):
        if watched.serial in unfilled:
            why = "the drive reports more than 100 % there, so it does not fill this field"
            yield _report_unknown(watched, why, Reason.MALFORMED)
            continue
        if not record.spare.rows or record.spare_threshold is None:
            continue
        percent, threshold = record.spare.rows[-1][2], record.spare_threshold
        if threshold == 0 and not any(row[2] for row in record.spare.rows):
            why = "it reports 0 % spare with a threshold of 0 %, as a drive does that fills neither field"
            figures = {"available_spare_percent": 0, "available_spare_threshold_percent": 0}
            yield _report_unknown(watched, why, Reason.ABSENT, **figures)
            continue
        left = project(
            record.spare,
            current.past.ledger.now,
            lambda a, b, days, t=threshold: by_spare(a, b, t, days),  # type: ignore[misc] # binds the loop's
            may_run=True,
        )
        if percent < _FULL_PERCENT and is_spare_low(percent, threshold):
            yield _report_spare(watched, percent, threshold, left, Severity.WARNING)
            continue
        before = find_before(current.past, watched, SPARE_LOW.name)
        if falls_short(left, WARN_DAYS, stood_so=before is not None):
            runs = falls_short(left, SOON_DAYS, stood_so=before is not None and before.severity is Severity.WARNING)
            severity = Severity.WARNING if runs else Severity.NOTICE
            yield _report_spare(watched, percent, threshold, left, severity)


def _report_spare(
    watched: Watched, percent: int, threshold: int, left: Remaining | NotEnough, severity: Severity
) -> Finding:
    ahead = ""
    if isinstance(left, Remaining):
        days = round(left.days)
        ahead = f"; at the pace seen, {say_times(days, 'day')} {'is' if days == 1 else 'are'} left"
    is_near = is_spare_low(percent, threshold)
    return make_sign(
        SPARE_LOW,
        watched,
        severity=severity,
        summary=f"{watched.full_name} has {percent} % spare, its own threshold is {threshold} %{ahead}",
        observed=(
            "spare near its threshold"
            if is_near
            else f"spare runs out within {'a month' if severity is Severity.WARNING else 'a year'}"
        ),
        evidence={
            "available_spare_percent": percent,
            "available_spare_threshold_percent": threshold,
            **describe_left(left),
        },
        follows_drive=True,
    )


def _fills_no_spare(drive: Occupant) -> bool:
    """Whether a field of the drive's spare holds an impossible value, while the rest of its log is sound."""
    health = drive.controller.health if drive.controller else None
    return isinstance(health, HealthLog) and health.source == "log" and not _FIELDS.isdisjoint(health.absent)


def _report_unknown(watched: Watched, why: str, reason: Reason, **figures: int) -> Finding:
    return SPARE_LOW.report_unverified(
        Unread(f"the spare of {watched.device}", why, reason),
        about=f"the spare of {watched.full_name}",
        why=why,
        key=watched.serial or watched.path,
        position=watched.label,
        subject=watched.device or watched.path,
        evidence={"path": watched.path, "serial": watched.serial or None, **figures},
        next_steps=(UNFILLED_STEP,),
    )


SPARE_LOW = Rule(
    name="spare-low",
    kind=Kind.SIGN,
    statement="Each drive's spare blocks keep well above its own threshold.",
    why=(
        "A drive replaces worn blocks by spare ones; when these run out it turns unreliable or read-only. The drive's "
        "own threshold counts: within five points of it is worth an alarm, and so is a pace that reaches it within a "
        "month; one that does within a year is a notice. The sign clears only with another drive."
    ),
    next_steps=advise(BACK_UP, "Order a replacement, and watch media-errors-rising of the same drive.", REPLACE),
    judge=_judge,
    examples=(
        holds("full spare"),
        sign("14 % left, the threshold is 10 %", "riser-1 (nvme0) has 14 % spare, its own threshold is 10 %"),
        unverified(
            "0 % left of a threshold of 0 %: neither field is filled",
            "the spare of riser-1 (nvme0) could not be verified: it reports 0 % spare with a threshold of 0 %, "
            "as a drive does that fills neither field",
        ),
        sign(
            "lost 20 points in 60 days",
            "riser-1 (nvme0) has 80 % spare, its own threshold is 10 %; at the pace seen, 209 days are left",
        ),
    ),
    sources=("NVM Express Base Specification 2.0, 5.16.1.3: Available Spare, Available Spare Threshold",),
)
