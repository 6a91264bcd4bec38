"""endurance-ending: the rated life of a drive, for planning. It predicts no failure."""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.advice import advise
from laneproof.box.placement import is_same_text
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import ACT_DAYS, DATA_UNIT_BYTES, WARN_DAYS, Remaining, by_percentage, by_writes, nearer
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import DriveRecord
from laneproof.rules.drives.projection import (
    ENDLESS_DAYS,
    FEWEST_DAYS,
    describe_left,
    falls_short,
    find_before,
    project,
)
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, Watched, make_sign, watched_drives

_WORN_PERCENT = 100
_HOURS_A_DAY = 24.0


def _judge(current: Pass) -> Iterator[Finding]:
    now = current.past.ledger.now
    for watched, record in watched_drives(current):
        wear = _Wear.of(record, find_endurance(current.build, record))
        left = nearer(project(record.wear, now, by_percentage), project_writes(record, wear.rated_bytes, now))
        if wear.is_used_up:
            said = f"{wear.say()}: nothing happens at its end, but plan for it"
            yield _report_wear(watched, wear, left, said, Severity.NOTICE)
            continue
        before = find_before(current.past, watched, ENDURANCE_ENDING.name)
        if falls_short(left, WARN_DAYS, stood_so=before is not None):
            was_page = before is not None and before.severity is not Severity.NOTICE
            severity = Severity.WARNING if falls_short(left, ACT_DAYS, stood_so=was_page) else Severity.NOTICE
            longest = f"{left.longest_days:.0f}" if left.longest_days < ENDLESS_DAYS else "never"
            bounds = f"{left.shortest_days:.0f} to {longest}"
            limit = "all that it is rated for" if left.clock == "writes" else "100 %"
            said = f"{wear.say()}, and at the pace seen reaches {limit} in {left.days:.0f} days ({bounds})"
            yield _report_wear(watched, wear, left, said, severity)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wear:
    """How far a drive is worn, by its own figure and by what was written of what its maker allows."""

    percent: int | None
    written_bytes: int | None
    rated_bytes: int | None

    @classmethod
    def of(cls, record: DriveRecord, rated_bytes: int | None) -> "_Wear":
        return cls(
            percent=record.wear.rows[-1][2] if record.wear.rows else None,
            written_bytes=None if record.written is None else record.written * DATA_UNIT_BYTES,
            rated_bytes=rated_bytes,
        )

    @property
    def is_used_up(self) -> bool:
        return (self.percent or 0) >= _WORN_PERCENT or (
            self.rated_bytes is not None and (self.written_bytes or 0) >= self.rated_bytes
        )

    def say(self) -> str:
        used = [] if self.percent is None else [f"has used {self.percent} % of its rated life"]
        if self.rated_bytes is not None and self.written_bytes is not None:
            written, rated = format_bytes(self.written_bytes), format_bytes(self.rated_bytes)
            used.append(f"has {written} written to it of the {rated} that it is rated for")
        return " and ".join(used)


def find_endurance(build: Build | None, record: DriveRecord) -> int | None:
    """Give how many bytes may be written to a drive in its life, as declared.

    None where none is declared, or another drive is there than the declaration names.
    """
    position = build.position_at(record.path) if build else None
    plan = position.occupant if position else None
    if plan is None:
        return None
    pairs = ((plan.serial, record.serial), (plan.model, record.model))
    is_other = any(declared is not None and not is_same_text(own, declared) for declared, own in pairs)
    return None if is_other else plan.endurance


def project_writes(record: DriveRecord, rated_bytes: int | None, now: float) -> Remaining | NotEnough:
    """Project what is written to a drive to what its maker allows, at the pace seen since it is watched."""
    if rated_bytes is None or record.written is None or record.written_since is None:
        return NotEnough("what may be written to it is not declared, or what was written is not known")
    since, before = record.written_since
    days = (now - since) / DAY
    if days < FEWEST_DAYS:
        return NotEnough("it was not watched for long enough")
    return by_writes(
        (record.written - before) * DATA_UNIT_BYTES,
        days * _HOURS_A_DAY,
        rated_bytes,
        total_bytes=record.written * DATA_UNIT_BYTES,
    )


def _report_wear(watched: Watched, wear: _Wear, left: Remaining | NotEnough, said: str, severity: Severity) -> Finding:
    if wear.is_used_up:
        observed = "rated life used up"
    else:
        observed = f"rated life used up within {'90 days' if severity is Severity.WARNING else 'a year'}"
    return make_sign(
        ENDURANCE_ENDING,
        watched,
        severity=severity,
        summary=f"{watched.full_name} {said}",
        observed=observed,
        evidence={
            "percentage_used": wear.percent,
            "written_bytes": wear.written_bytes,
            "rated_bytes": wear.rated_bytes,
            "nearer_by": left.clock if isinstance(left, Remaining) else None,
            **describe_left(left),
        },
        follows_drive=True,
    )


ENDURANCE_ENDING = Rule(
    name="endurance-ending",
    kind=Kind.SIGN,
    statement="No drive uses up its rated life within a year, at the pace seen.",
    why=(
        "The drive's own figure of life used is for planning: hardly any drive is worn out before it is replaced, and "
        "none fails because it reached 100 %. The figure is a whole number, so the pace is taken between the moments "
        "when it ticked over, from at least thirty days and two points. Where the declaration has the drive's "
        "endurance, what is written to it is compared with that too, and the nearer end of the two is reported. The "
        "sign clears with another drive, or at a pace that leaves well over a year."
    ),
    next_steps=advise(
        "See what writes so much: logs, swap, a database; move it, or plan for another drive.",
        "Reaching 100 % is no failure: watch media-errors-rising and spare-low.",
    ),
    judge=_judge,
    examples=(
        holds("3 points in half a year"),
        sign(
            "60 TB of the declared 100 TB are written, 1 TB more each day",
            "riser-1 (nvme0) has used 2 % of its rated life and has 91 TB written to it of the 100 TB that it "
            "is rated for, and at the pace seen reaches all that it is rated for in 9 days (9 to 9)",
        ),
        sign(
            "20 points in 40 days",
            "riser-1 (nvme0) has used 60 % of its rated life, and at the pace seen reaches 100 % in 77 days (73 to 81)",
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: Percentage Used, Data Units Written",
        "USENIX FAST 2020: nearly all systems use 15 % of rated life or less",
    ),
)
