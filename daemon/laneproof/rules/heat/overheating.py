"""overheating: drives, board and processor, each by its own limits.

There is no fixed limit: each part is held to its own (hwmon's maximum and critical values, a drive's recommended and
highest temperature), and what has none is not judged. NVMe drives keep counts of heat too.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from laneproof.advice import HEAT_SINK, MORE_AIR, OPEN_CASE, advise
from laneproof.evidence.heat import WARN_HEADROOM_CELSIUS, headroom, minutes_per_year
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.past.box_record import key_of
from laneproof.past.drives import DriveRecord, Rise, SeenHeat
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.rules.drives.sata_drives import find_awake
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import (
    DAY,
    HOUR,
    Watched,
    make_sign,
    more_severe,
    say_times,
    standing_sign,
    watched_drives,
)
from laneproof_collectors.snapshot import Snapshot, Thermal
from laneproof_collectors.unread import Unread

WEEK = 7 * DAY
"""How long a sign of heat stays after the last evidence. Our choice."""
_MANY_MINUTES = 60
_MANY_DAYS = 2
"""So many minutes above its threshold in a week, on so many days, are worth an alarm. Our choice."""
_MANY_CRITICAL = 2
"""So many readings of the kernel's thermometer at the critical threshold stand for a minute there. Our choice."""
_FRESH_SECONDS = 900.0
"""A temperature older than this is not the present one; drives are read once a minute. Our choice."""
_NEAR = "warm: near its own warning threshold"
_ABOVE = "above its own warning threshold"
_CRITICAL = "above its own critical threshold"

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


def _judge(current: Pass) -> Iterator[Finding]:
    for watched, record in watched_drives(current):
        if (finding := _judge_drive(current.past, watched, record)) is not None:
            yield finding
    for part in (*_board_parts(current.snapshot.thermal), *_drive_parts(current)):
        yield from _judge_part(part)
    yield from _judge_throttling(current.snapshot, current.past)


# --- NVMe drives ------------------------------------------------------------------------------------------------------


def _count_minutes(record: DriveRecord, counter: str, since: float) -> tuple[int, int]:
    """Give by how much a counter of minutes grew since a moment, and on how many days."""
    rises = record.risen(counter, since)
    return sum(rise.by for rise in rises), len({rise.at // DAY for rise in rises})


def _find_minutes_a_year(record: DriveRecord) -> float | None:
    """Give the minutes in a year of powered hours that a drive spent above its warning threshold, over its whole life.

    None where it lacks either count, or was not on for an hour.
    """
    minutes, hours = record.counters.get("warning_temperature_minutes"), record.hours
    if minutes is None or hours is None:
        return None
    a_year = minutes_per_year(minutes, float(hours))
    return None if isinstance(a_year, NotEnough) else a_year


def find_heat(past: Past, watched: Watched, record: DriveRecord) -> Finding | None:
    """Give what overheating reports of a drive that was above a limit of its own, not only warm."""
    finding = _judge_drive(past, watched, record)
    return None if finding is None or finding.observed == _NEAR else finding


def is_heat_reported(past: Past, watched: Watched) -> bool:
    """Whether overheating stood after the pass before, for a limit that was passed."""
    before = standing_sign(past, watched.identify_drive(OVERHEATING.name))
    return before is not None and before.observed != _NEAR


def _judge_drive(past: Past, watched: Watched, record: DriveRecord) -> Finding | None:
    """Hold one NVMe drive to its own limits."""
    ledger = past.ledger
    since = ledger.now - WEEK
    critical, _ = _count_minutes(record, "critical_temperature_minutes", since)
    minutes, days = _count_minutes(record, "warning_temperature_minutes", since)
    seen = _find_seen_heat(record, since)
    room = _find_headroom(ledger, record)
    limit, a_year = record.warning_celsius, _find_minutes_a_year(record)
    if critical or seen.critical >= _MANY_CRITICAL:
        observed, severity = _CRITICAL, Severity.CRITICAL
        said = f"was above its critical threshold for {say_times(critical, 'minute')} in the last week"
        if not critical:
            said = f"was seen at its critical threshold or above {say_times(seen.critical)} in the last week"
    elif minutes or seen.minutes or _is_above_now(record, ledger.now) or _find_highest_above(record, since):
        observed = _ABOVE
        many = any(
            number >= _MANY_MINUTES and on >= _MANY_DAYS for number, on in ((minutes, days), (seen.minutes, seen.days))
        )
        severity = Severity.WARNING if many else Severity.NOTICE
        said = f"was above its warning threshold for {say_times(minutes, 'minute')} in the last week"
        if not minutes:
            said = _say_seen(record, seen, since, ledger.now)
        elif a_year is not None:
            said += f" ({say_times(round(a_year), 'minute')} a year over its whole life)"
    elif room is not None and room < WARN_HEADROOM_CELSIUS and limit is not None:
        observed, severity = _NEAR, Severity.NOTICE
        said = f"keeps {room:.0f} °C below its warning threshold of {limit:.0f} °C (95 of 100 hours)"
    else:
        return None
    before = standing_sign(past, watched.identify_drive(OVERHEATING.name))
    if before is not None and before.observed in (_ABOVE, _CRITICAL) and observed == _NEAR:
        observed = before.observed or observed  # it cools down: the sign keeps its words until it clears
    severity = more_severe(severity, before.severity if before is not None else None)
    sign_of_heat = make_sign(
        OVERHEATING,
        watched,
        severity=severity,
        summary=f"{watched.full_name} {said}",
        observed=_CRITICAL if severity is Severity.CRITICAL else observed,
        evidence={
            "celsius": record.celsius,
            "warning_celsius": limit,
            "critical_celsius": record.critical_celsius,
            "warning_minutes_in_a_week": minutes,
            "critical_minutes_in_a_week": critical,
            "warning_minutes_a_year": None if a_year is None else round(a_year, 1),
            "minutes_seen_above_in_a_week": seen.minutes,
            "readings_at_critical_in_a_week": seen.critical,
            "headroom_celsius": None if room is None else round(room, 1),
            "throttled_in_a_week": sum(throttle.by for throttle in find_throttles(record, since)),
        },
        follows_drive=True,
    )
    return replace(sign_of_heat, causes=_name_heat(sign_of_heat, said, record))


def _name_heat(sign: Finding, said: str, record: DriveRecord) -> tuple[Cause, ...]:
    """Name heat as the cause of the sign of heat, where a limit of the drive's own was passed: that is no guess.

    It decides nothing for disconnects at the same position, which may have another cause.
    """
    if sign.observed == _NEAR:
        return ()
    limits = ((record.warning_celsius, "warning"), (record.critical_celsius, "critical"))
    own = " and ".join(f"{celsius:.0f} °C ({word})" for celsius, word in limits if celsius is not None)
    because = (f"the drive {said}", *((f"its own limits are {own}",) if own else ()))
    return (Cause(cause="heat", probability=1.0, because=because),)


def _find_seen_heat(record: DriveRecord, since: float) -> SeenHeat:
    """Give how long it was seen above its threshold, where the drive itself counts no minutes.

    A drive that never counted a minute may be one that does not count: hours whose mean is above stand in.
    """
    seen, limit = record.seen_heat(since), record.warning_celsius
    if seen.minutes or limit is None or record.counters.get("warning_temperature_minutes"):
        return seen
    hot = [row.hour for row in record.heat if row.hour * HOUR >= since - HOUR and row.mean_celsius >= limit]
    return replace(seen, minutes=_MANY_MINUTES * len(hot), days=len({hour * HOUR // DAY for hour in hot}))


def _find_highest_above(record: DriveRecord, since: float) -> float | None:
    """Give the highest temperature that was read, where it is at the warning threshold or above: short bursts count."""
    limit = record.warning_celsius
    highest = max((row.highest_celsius for row in record.heat if row.hour * HOUR >= since - HOUR), default=None)
    return highest if highest is not None and limit is not None and highest >= limit > 0 else None


def _is_above_now(record: DriveRecord, now: float) -> bool:
    """Whether it is at its warning threshold by a recent reading; an old one says nothing of now."""
    return record.is_above() and now - record.celsius_at <= _FRESH_SECONDS


def _say_seen(record: DriveRecord, seen: SeenHeat, since: float, at: float) -> str:
    """Say what the readings show, where the drive itself counts no minutes."""
    limit = record.warning_celsius
    now = ""
    if _is_above_now(record, at):
        now = f"is at {record.celsius:.0f} °C, "
        now += "and raises its own alarm" if limit is None else f"its warning threshold is {limit:.0f} °C"
    if not seen.minutes and (now or limit is None):
        return now
    if not seen.minutes:
        highest = _find_highest_above(record, since)
        return f"was seen at {highest:.0f} °C in the last week, its warning threshold is {limit:.0f} °C"
    often = f"was seen above it for about {say_times(seen.minutes, 'minute')} in the last week"
    return f"{now}; it {often}" if now else often.replace("above it", "above its warning threshold")


def _find_headroom(ledger: Ledger, record: DriveRecord) -> float | None:
    def find() -> float | None:
        room = headroom([row.mean_celsius for row in record.heat], record.warning_celsius)
        return None if isinstance(room, NotEnough) else room

    version = record.heat[-1].hour if record.heat else 0
    return ledger.remember(("headroom", record.serial), version, find)


def find_throttles(record: DriveRecord, since: float) -> list[Rise]:
    """Give how often a drive slowed itself down since a moment."""
    return [*record.risen("thermal_transitions_1", since), *record.risen("thermal_transitions_2", since)]


# --- board, processor and SATA drives ---------------------------------------------------------------------------------


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
    name="overheating",
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
    next_steps=advise(MORE_AIR, HEAT_SINK),
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
