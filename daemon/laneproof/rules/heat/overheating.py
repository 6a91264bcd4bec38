"""overheating: drives, board and processor, each by its own limits.

There is no fixed limit: each part is held to its own (hwmon's maximum and critical values, a drive's recommended and
highest temperature), and what has none is not judged. NVMe drives, which keep counts of heat, are another module's.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.advice import OPEN_CASE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, key_of
from laneproof.past.past import Past
from laneproof.rules.drives.sata_drives import find_awake
from laneproof.rules.heat.drive_heat import DRIVE_STEPS, HEAT_NAME, judge_drive
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import say_times, watched_drives
from laneproof_collectors.snapshot import Snapshot, Thermal
from laneproof_collectors.unread import Unread

CLOSE_CELSIUS = 5.0
"""Less than this below a part's own limit is worth a notice. Our choice."""
_SENSIBLE_LIMITS = (30.0, 120.0)  # limits that nobody set read 0, or the largest number of their register (no source)

_OPEN_INPUT = re.compile(r"AUXTIN\d*")
"""Auxiliary inputs of common board chips: most boards wire nothing to them, and an open input reads what it picks up.
Labels: kernel drivers/hwmon/nct6775-core.c; that they are open is common practice, no source."""
_STEPS = advise(
    "See that every fan turns (fan-stopped), that nothing blocks the air, and how warm the room is.",
    "See that heat sinks are fitted and dust is gone. Parts stay hot for minutes after the power is off. " + OPEN_CASE,
    "Compare with the limit that the part's maker states; what a sensor is called may not be what it measures.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """One part with a thermometer."""

    name: str
    key: str
    position: str | None
    celsius: float | Unread
    high: float | None  # above it the part is hotter than meant
    highest: float | None  # from here on it is at risk, or protects itself
    runs_close: bool = False  # by design close to its limit under load: a processor


def _judge(current: Pass) -> Iterator[Finding]:
    for watched, record in watched_drives(current):
        if (finding := judge_drive(current.past, watched, record)) is not None:
            yield finding
    for part in (*_board_parts(current.snapshot.thermal), *_drive_parts(current)):
        yield from _judge_part(part)
    yield from _judge_throttling(current.snapshot, current.past)


def _board_parts(thermal: Thermal | Unread) -> Iterator[_Part]:
    seen: dict[str, int] = {}
    for chip, reading in () if isinstance(thermal, Unread) else thermal.temperatures:
        if _OPEN_INPUT.fullmatch(reading.label):
            continue
        name = f"{chip} {reading.label}"
        seen[name] = seen.get(name, 0) + 1
        name += f" #{seen[name]}" if seen[name] > 1 else ""
        high, highest = _limit(reading.maximum_celsius), _limit(reading.critical_celsius)
        yield _Part(
            name=name, key=name, position=None, celsius=reading.celsius, high=high, highest=highest, runs_close=True
        )


def _limit(value: float | Unread | None) -> float | None:
    low, high = _SENSIBLE_LIMITS
    return value if isinstance(value, int | float) and low <= value <= high else None


def _drive_parts(current: Pass) -> Iterator[_Part]:
    for arrangement, occupant, drive in find_awake(current):
        if drive.temperature_celsius is None:
            continue
        yield _Part(
            name=arrangement.full_name(occupant),
            key=drive.serial if isinstance(drive.serial, str) else occupant.own_path,
            position=arrangement.label_of(occupant),
            celsius=drive.temperature_celsius,
            high=drive.recommended_celsius,
            highest=drive.most_celsius,
        )


def _judge_part(part: _Part) -> Iterator[Finding]:
    limits = [limit for limit in (part.high, part.highest) if limit is not None]
    if not limits:
        return
    if isinstance(part.celsius, Unread):
        yield OVERHEATING.report_unverified(
            part.celsius, about=f"the heat of {part.name}", key=part.key, position=part.position
        )
        return
    if part.highest is not None and part.celsius >= part.highest:
        limit, words, severity = part.highest, "is at or beyond its limit", Severity.CRITICAL
    elif part.high is not None and part.celsius > part.high and not (part.runs_close and part.highest is not None):
        limit, words, severity = part.high, "is above what it is meant for", Severity.WARNING
    elif min(limits) - part.celsius < CLOSE_CELSIUS and not part.runs_close:
        limit, words, severity = min(limits), "comes close to what it is meant for", Severity.NOTICE
    else:
        return
    yield OVERHEATING.report(
        severity=severity,
        position=part.position,
        subject=part.name,
        key=part.key,
        summary=f"{part.name} {words}: {part.celsius:.0f} °C, its own limit is {limit:.0f} °C",
        observed=words,
        evidence={
            "celsius": part.celsius,
            "headroom_celsius": round(limit - part.celsius, 1),
            "maximum_celsius": part.high,
            "critical_celsius": part.highest,
        },
        next_steps=_STEPS,
    )


def _judge_throttling(snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    thermal = snapshot.thermal
    for package, count in {} if isinstance(thermal, Unread) else thermal.throttle_counts.items():
        recent = past.box.grown(key_of("processor", package, "throttled"), within=DAY, now=snapshot.taken_at)
        if recent:
            yield OVERHEATING.report(
                severity=Severity.NOTICE,
                key=f"processor {package}",
                summary=f"processor {package} slowed itself down for heat {say_times(recent)} in the last day",
                observed="slows down for heat",
                evidence={"throttled_last_day": recent, "throttled_since_start": count},
                next_steps=_STEPS,
            )


OVERHEATING = Rule(
    name=HEAT_NAME,
    kind=Kind.SIGN,
    statement="Each drive keeps well below its own warning temperature, and board and processor below their limits.",
    why=(
        "There is no temperature that is too hot for all drives: sensors sit in different places, and each drive "
        "states its own limits. Counted are its own minutes above them, and how far it keeps below in 95 of 100 hours. "
        "Where its log cannot be read, the kernel's thermometer of it is read instead: an hour counts by the share of "
        "its readings that were above, and two readings at the critical threshold count as a minute there. Of a drive "
        "that never counted a minute, the hours count whose mean is above its threshold. Where the drive passed a "
        "limit of its own, heat is the cause of this sign; what makes the drive drop off the bus is judged apart. "
        "Some minutes a year on a box without fans are a notice; an hour in a week, on two days, is worth an alarm, "
        "and so is any minute above the critical threshold. The sign clears after a week without."
    ),
    next_steps=DRIVE_STEPS,
    judge=_judge,
    examples=(
        holds("38 °C, its threshold is 80 °C"),
        sign(
            "20 more minutes above its threshold each day",
            "riser-1 (nvme0) was above its warning threshold for 140 minutes in the last week (614 minutes a "
            "year over its whole life)",
        ),
        sign("always 78 °C", "riser-1 (nvme0) keeps 2 °C below its warning threshold of 80 °C (95 of 100 hours)"),
        holds("the board is well below its limit"),
        sign("the board is at its own limit", "board VRM is at or beyond its limit: 96 °C, its own limit is 95 °C"),
    ),
    sources=(
        "Linux Documentation/hwmon/sysfs-interface.rst: temp*_max, temp*_crit; x86 thermal_throttle counters",
        "ACS-3, SCT Temperature History; SCSI Temperature log page: a drive's own limits (from memory)",
        "Linux drivers/nvme/host/hwmon.c: temp1_input, temp1_max, temp1_crit, temp1_alarm",
        "NVM Express Base Specification 2.0: WCTEMP, CCTEMP, Warning and Critical Composite Temperature Time",
        "What is many: our choice",
    ),
)
