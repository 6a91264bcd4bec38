"""spare-low and endurance-ending: what a drive has left, for planning. Neither predicts a failure."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeGuard

from laneproof.box.placement import is_same_text
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.wear import (
    ACT_DAYS,
    DATA_UNIT_BYTES,
    WARN_DAYS,
    Remaining,
    by_percentage,
    by_spare,
    by_writes,
    is_spare_low,
    nearer,
)
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import DriveRecord, Steps
from laneproof.past.past import Past
from laneproof.rules.cautions import DEGRADED_ARRAY, OPEN_CASE
from laneproof.rules.example_past import health_past, health_snapshot
from laneproof.rules.rule import Example, Rule
from laneproof.rules.sign_subjects import DAY, Watched, make_sign, stood, watched_drives
from laneproof_collectors.snapshot import Snapshot

SPARE_NAME, WEAR_NAME = "spare-low", "endurance-ending"

_FEWEST_DAYS = 30.0
_FEWEST_POINTS = 2
"""A pace is taken from at least this long and this much: a rounded figure that just ticked over is none. Judgement."""
_FEWEST_ROWS = 3  # as first read, and ticked over twice
_WELL_ABOVE = 1.15
"""What was said of a limit holds until the time left is this many times the limit. Judgement."""
_FULL_PERCENT = _WORN_PERCENT = 100
_HOURS_A_DAY = 24.0

Clock = Callable[[int, int, float], Remaining | NotEnough]


def project(steps: Steps, now: float, clock: Clock) -> Remaining | NotEnough:
    """Project a figure that was kept where it changed.

    The figure is a whole number, so it is exact only at the moments when it ticked over: the pace is taken from the
    first of these to the last, and what has passed since the last is taken off, up to the next point. Taken up to now
    instead, the time left would grow until the next point and then fall by as much. A point that is overdue slows the
    pace.

    Args:
        steps: When, powered hours, value.
        now: Ledger time.
        clock: Takes the earlier value, the latest value and the days between.
    """
    if len(steps.rows) < _FEWEST_ROWS:
        return NotEnough("it was never seen to move twice")
    (at, _, first), (last_at, _, latest) = steps.rows[1], steps.rows[-1]
    points, days = abs(latest - first), (last_at - at) / DAY
    if days < _FEWEST_DAYS or points < _FEWEST_POINTS:
        return NotEnough("too little moved in too short a time")
    days = max(days, (now - at) / DAY * points / (points + 1))
    try:
        left = clock(first, latest, days)
    except ValueError as error:
        return NotEnough(str(error))
    if isinstance(left, NotEnough):
        return left
    passed = min((now - last_at) / DAY, days / points)
    return replace(
        left,
        days=max(0.0, left.days - passed),
        shortest_days=max(0.0, left.shortest_days - passed),
        longest_days=max(0.0, left.longest_days - passed),
    )


def falls_short(left: Remaining | NotEnough, limit_days: float, *, stood_so: bool) -> TypeGuard[Remaining]:
    """Whether the time left is below a limit; where that was said before, until it is well above.

    The pace of every box goes up and down a little with its work.

    Args:
        left: The time left.
        limit_days: The limit.
        stood_so: Whether it was said after the pass before.
    """
    return isinstance(left, Remaining) and left.days < limit_days * (_WELL_ABOVE if stood_so else 1.0)


# --- spare ------------------------------------------------------------------------------------------------------------


def _judge_spare(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    for place in () if past.ledger is None else watched_drives(build, snapshot, past.ledger):
        record = place.drive
        if past.ledger is None or record is None or not record.spare.rows or record.spare_threshold is None:
            continue
        percent, threshold = record.spare.rows[-1][2], record.spare_threshold
        if threshold == 0 and not any(row[2] for row in record.spare.rows):
            yield _tell_no_spare_told(place)
            continue
        left = project(record.spare, past.ledger.now, lambda a, b, days, t=threshold: by_spare(a, b, t, days))  # type: ignore[misc]
        if percent < _FULL_PERCENT and is_spare_low(percent, threshold):
            yield _tell_spare(place, percent, threshold, left, Severity.WARNING)
        elif falls_short(left, WARN_DAYS, stood_so=_find_before(past, place, SPARE_NAME) is not None):
            yield _tell_spare(place, percent, threshold, left, Severity.NOTICE)


def _tell_spare(
    place: Watched, percent: int, threshold: int, left: Remaining | NotEnough, severity: Severity
) -> Finding:
    ahead = f"; at the pace seen, {left.days:.0f} days are left" if isinstance(left, Remaining) else ""
    is_near = severity is Severity.WARNING
    return make_sign(
        SPARE_NAME,
        place,
        severity=severity,
        summary=f"{place.name} ({place.device}) has {percent} % spare, its own threshold is {threshold} %{ahead}",
        observed="spare near its threshold" if is_near else "spare runs out within a year",
        evidence={
            "available_spare_percent": percent,
            "available_spare_threshold_percent": threshold,
            **_describe(left),
        },
        next_steps=SPARE_LOW.look_next,
        follows_drive=True,
    )


def _find_before(past: Past, place: Watched, rule: str) -> Finding | None:
    """Give the same rule's word on the same drive after the pass before."""
    before = stood(past, place.identify_drive(rule))
    return before if before is not None and before.key == (place.serial or place.path) else None


def _tell_no_spare_told(place: Watched) -> Finding:
    """Tell of a drive that fills neither field, as emulated ones do: nothing is known of its spare."""
    said = "it tells 0 % spare with a threshold of 0 %, as a drive does that fills neither field"
    sign = make_sign(
        SPARE_NAME,
        place,
        severity=Severity.NOTICE,
        summary=f"the spare of {place.name} ({place.device}) could not be verified: {said}",
        observed="spare not told",
        evidence={"available_spare_percent": 0, "available_spare_threshold_percent": 0},
        next_steps=SPARE_LOW.look_next,
        follows_drive=True,
    )
    return replace(sign, kind=Kind.UNVERIFIED)


# --- wear -------------------------------------------------------------------------------------------------------------


def _judge_wear(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    for place in () if past.ledger is None else watched_drives(build, snapshot, past.ledger):
        if past.ledger is None or place.drive is None:
            continue
        wear = _Wear.of(place.drive, find_endurance(build, place))
        left = nearer(
            project(place.drive.wear, past.ledger.now, by_percentage),
            project_writes(place.drive, wear.rated_bytes, past.ledger.now),
        )
        if wear.is_used_up:
            said = f"{wear.say()}: nothing happens at its end, but plan for it"
            yield _tell_wear(place, wear, left, said, Severity.NOTICE)
            continue
        before = _find_before(past, place, WEAR_NAME)
        if falls_short(left, WARN_DAYS, stood_so=before is not None):
            was_page = before is not None and before.severity is not Severity.NOTICE
            severity = Severity.WARNING if falls_short(left, ACT_DAYS, stood_so=was_page) else Severity.NOTICE
            bounds = f"{left.shortest_days:.0f} to {_say_days(left.longest_days)}"
            limit = "all that it is rated for" if left.clock == "writes" else "100 %"
            said = f"{wear.say()}, and at the pace seen reaches {limit} in {left.days:.0f} days ({bounds})"
            yield _tell_wear(place, wear, left, said, severity)


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
        told = [] if self.percent is None else [f"has used {self.percent} % of its rated life"]
        if self.rated_bytes is not None and self.written_bytes is not None:
            written, rated = format_bytes(self.written_bytes), format_bytes(self.rated_bytes)
            told.append(f"has {written} written to it of the {rated} that it is rated for")
        return " and ".join(told)


def find_endurance(build: Build | None, place: Watched) -> int | None:
    """Give how many bytes may be written to a drive in its life, as declared.

    Args:
        build: The declaration.
        place: The drive and its place.

    Returns:
        The bytes; None where none is declared, or another drive is in the place than the declaration names.
    """
    position = build.position_at(place.path) if build else None
    plan, record = position.occupant if position else None, place.drive
    if plan is None or record is None:
        return None
    pairs = ((plan.serial, record.serial), (plan.model, record.model))
    is_other = any(declared is not None and not is_same_text(told, declared) for declared, told in pairs)
    return None if is_other else plan.endurance


def project_writes(record: DriveRecord, rated_bytes: int | None, now: float) -> Remaining | NotEnough:
    """Project what is written to a drive to what its maker allows, at the pace seen since it is watched.

    Args:
        record: The drive.
        rated_bytes: What its maker allows; None where that is not declared.
        now: Ledger time.
    """
    if rated_bytes is None or record.written is None or record.written_since is None:
        return NotEnough("what may be written to it is not declared, or what was is not told")
    since, before = record.written_since
    days = (now - since) / DAY
    if days < _FEWEST_DAYS:
        return NotEnough("it was not watched for long enough")
    return by_writes(
        (record.written - before) * DATA_UNIT_BYTES,
        days * _HOURS_A_DAY,
        rated_bytes,
        total_bytes=record.written * DATA_UNIT_BYTES,
    )


def _say_days(days: float) -> str:
    return f"{days:.0f}" if days < 1e6 else "never"  # noqa: PLR2004 (thousands of years)


def _tell_wear(place: Watched, wear: _Wear, left: Remaining | NotEnough, said: str, severity: Severity) -> Finding:
    if wear.is_used_up:
        observed = "rated life used up"
    else:
        observed = "rated life used up within 90 days" if severity is Severity.WARNING else "within a year"
    return make_sign(
        WEAR_NAME,
        place,
        severity=severity,
        summary=f"{place.name} ({place.device}) {said}",
        observed=observed,
        evidence={
            "percentage_used": wear.percent,
            "written_bytes": wear.written_bytes,
            "rated_bytes": wear.rated_bytes,
            "nearer_by": left.clock if isinstance(left, Remaining) else None,
            **_describe(left),
        },
        next_steps=ENDURANCE_ENDING.look_next,
        follows_drive=True,
    )


def _describe(left: Remaining | NotEnough) -> dict[str, object]:
    if isinstance(left, NotEnough):
        return {"days_left": None}
    longest = left.longest_days
    return {
        "days_left": round(left.days, 1),
        "days_left_at_least": round(left.shortest_days, 1),
        "days_left_at_most": round(longest, 1) if longest < 1e6 else None,  # noqa: PLR2004 (thousands of years)
    }


_BUILD = """
schema = 1
box.name = "kelp-1"
position = [{ label = "riser-1", path = "0000:00/01.1" }]
"""


_ENDURANCE = """
schema = 1
box.name = "kelp-1"
position = [{ label = "riser-1", path = "0000:00/01.1", occupant = { endurance = "100 TB" } }]
"""


def _falling(first: int, last: int, days: int, name: str) -> list[dict[str, object]]:
    return [{name: round(first + (last - first) * day / days)} for day in range(days + 1)]


SPARE_LOW = Rule(
    name=SPARE_NAME,
    kind=Kind.SIGN,
    statement="Each drive's spare blocks keep well above its own threshold.",
    why=(
        "A drive replaces worn blocks by spare ones; when these run out it turns unreliable or read-only. The drive's "
        "own threshold counts: within five points of it is worth a page, a pace that reaches it within a year a note. "
        "The sign clears only with another drive."
    ),
    look_next=(
        "Order a replacement, and see that the backup can be read.",
        "Watch media-errors-rising of the same drive.",
        DEGRADED_ARRAY,
        OPEN_CASE,
    ),
    judge=_judge_spare,
    examples=(
        Example(
            says="full spare",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past([{}] * 3),
            expect=(),
        ),
        Example(
            says="14 % left, the threshold is 10 %",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past([{"available_spare_percent": 14}]),
            expect=(Kind.SIGN,),
        ),
        Example(
            says="0 % left of a threshold of 0 %: neither field is filled",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past([{"available_spare_percent": 0, "available_spare_threshold_percent": 0}]),
            expect=(Kind.UNVERIFIED,),
        ),
        Example(
            says="lost 20 points in 60 days",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past(_falling(100, 80, 60, "available_spare_percent"), looks_a_day=1),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("NVM Express Base Specification 2.0, 5.16.1.3: Available Spare, Available Spare Threshold",),
)
ENDURANCE_ENDING = Rule(
    name=WEAR_NAME,
    kind=Kind.SIGN,
    statement="No drive uses up its rated life within a year, at the pace seen.",
    why=(
        "The drive's own figure of life used is for planning: hardly any drive is worn out before it is replaced, and "
        "none fails because it reached 100 %. The figure is a whole number, so the pace is taken between the moments "
        "when it ticked over, from at least thirty days and two points. Where the declaration has the drive's "
        "endurance, what is written to it is held against that too, and the nearer end of the two is told. The sign "
        "clears with another drive, or at a pace that leaves well over a year."
    ),
    look_next=(
        "See what writes so much: logs, swap, a database; move it, or plan for another drive.",
        "Reaching 100 % is no failure: watch media-errors-rising and spare-low.",
    ),
    judge=_judge_wear,
    examples=(
        Example(
            says="3 points in half a year",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past(_falling(12, 15, 180, "percentage_used"), looks_a_day=1),
            expect=(),
        ),
        Example(
            says="60 TB of the declared 100 TB are written, 1 TB more each day",
            build=_ENDURANCE,
            snapshot=health_snapshot,
            make_past=lambda: health_past(
                [{"data_units_written": (60_000 + 1_000 * day) * 10**9 // DATA_UNIT_BYTES} for day in range(32)],
                looks_a_day=1,
            ),
            expect=(Kind.SIGN,),
        ),
        Example(
            says="20 points in 40 days",
            build=_BUILD,
            snapshot=health_snapshot,
            make_past=lambda: health_past(_falling(40, 60, 40, "percentage_used"), looks_a_day=1),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: Percentage Used, Data Units Written",
        "USENIX FAST 2020: nearly all systems use 15 % of rated life or less",
    ),
)
