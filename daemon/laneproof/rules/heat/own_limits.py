"""Board, processor and SATA drives, held to their own limits: overheating of all but NVMe drives.

There is no fixed limit: each part is held to its own (hwmon's maximum and critical values, a drive's recommended and
highest temperature), and what has none is not judged.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.advice import OPEN_CASE, advise
from laneproof.findings import Finding, Severity
from laneproof.past.box_record import DAY, key_of
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule
from laneproof.rules.sign_subjects import say_times
from laneproof_collectors.snapshot import Snapshot, Thermal
from laneproof_collectors.unread import Unread

CLOSE_CELSIUS = 5.0
"""Less than this below a part's own limit is worth a notice. Our choice."""
_SENSIBLE_LIMITS = (30.0, 120.0)  # limits that nobody set read 0, or the largest number of their register (no source)

_OPEN_INPUT = re.compile(r"AUXTIN\d*")
"""Auxiliary inputs of common board chips: most boards wire nothing to them, and an open input reads what it picks up.
Labels: kernel drivers/hwmon/nct6775-core.c; that they are open is common practice, no source."""


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


def judge_box_heat(rule: Rule, current: Pass) -> Iterator[Finding]:
    """Hold board, processor and SATA drives to their own limits; NVMe drives are another module's."""
    for part in (*_board_parts(current.snapshot.thermal), *_drive_parts(current)):
        yield from _judge_part(rule, part)
    yield from _judge_throttling(rule, current.snapshot, current.past)


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
    arrangement = current.arrangement
    for occupant in arrangement.drives:
        drive = occupant.drive
        if drive is None or drive.asleep or drive.temperature_celsius is None or isinstance(drive.healthy, Unread):
            continue
        yield _Part(
            name=arrangement.full_name(occupant),
            key=drive.serial if isinstance(drive.serial, str) else occupant.own_path,
            position=arrangement.label_of(occupant),
            celsius=drive.temperature_celsius,
            high=drive.recommended_celsius,
            highest=drive.most_celsius,
        )


def _judge_part(rule: Rule, part: _Part) -> Iterator[Finding]:
    limits = [limit for limit in (part.high, part.highest) if limit is not None]
    if not limits:
        return
    if isinstance(part.celsius, Unread):
        yield rule.report_unverified(
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
    yield rule.report(
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
        next_steps=HOT_NEXT,
    )


def _judge_throttling(rule: Rule, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    thermal = snapshot.thermal
    for package, count in {} if isinstance(thermal, Unread) else thermal.throttle_counts.items():
        recent = past.box.grown(key_of("processor", package, "throttled"), within=DAY, now=snapshot.taken_at)
        if recent:
            yield rule.report(
                severity=Severity.NOTICE,
                key=f"processor {package}",
                summary=f"processor {package} slowed itself down for heat {say_times(recent)} in the last day",
                observed="slows down for heat",
                evidence={"throttled_last_day": recent, "throttled_since_start": count},
                next_steps=HOT_NEXT,
            )


HOT_NEXT = advise(
    "See that every fan turns (fan-stopped), that nothing blocks the air, and how warm the room is.",
    "See that heat sinks are fitted and dust is gone. Parts stay hot for minutes after the power is off. " + OPEN_CASE,
    "Compare with the limit that the part's maker states; what a sensor is called may not be what it measures.",
)
