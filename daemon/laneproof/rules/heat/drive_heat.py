"""NVMe drives, held to their own limits of temperature."""

from dataclasses import replace

from laneproof.advice import HEAT_SINK, MORE_AIR, advise
from laneproof.evidence.heat import WARN_HEADROOM_CELSIUS, headroom, minutes_per_year
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.past.drives import DriveRecord, Rise, SeenHeat
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.rules.sign_subjects import DAY, HOUR, Watched, more_severe, say_times, standing_sign

HEAT_NAME = "overheating"
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
DRIVE_STEPS = advise(MORE_AIR, HEAT_SINK)
_ABOVE = "above its own warning threshold"
_CRITICAL = "above its own critical threshold"


def minutes_in(record: DriveRecord, counter: str, since: float) -> tuple[int, int]:
    """Give by how much a counter of minutes grew since a moment, and on how many days."""
    rises = record.risen(counter, since)
    return sum(rise.by for rise in rises), len({rise.at // DAY for rise in rises})


def find_minutes_a_year(record: DriveRecord) -> float | None:
    """Give the minutes in a year of powered hours that a drive spent above its warning threshold, over its whole life.

    None where it lacks either count, or was not on for an hour.
    """
    minutes, hours = record.counters.get("warning_temperature_minutes"), record.hours
    if minutes is None or hours is None:
        return None
    a_year = minutes_per_year(minutes, float(hours))
    return None if isinstance(a_year, NotEnough) else a_year


def find_heat(past: Past, watched: Watched) -> Finding | None:
    """Give what overheating reports of a drive that was above a limit of its own, not only warm."""
    if watched.drive is None:
        return None
    finding = judge_drive(past, watched, watched.drive)
    return None if finding is None or finding.observed == _NEAR else finding


def is_heat_reported(past: Past, watched: Watched) -> bool:
    """Whether overheating stood after the pass before, for a limit that was passed."""
    before = standing_sign(past, watched.identify_drive(HEAT_NAME))
    return before is not None and before.observed != _NEAR


def judge_drive(past: Past, watched: Watched, record: DriveRecord) -> Finding | None:
    """Hold one drive to its own limits."""
    ledger = past.ledger
    since = ledger.now - WEEK
    critical, _ = minutes_in(record, "critical_temperature_minutes", since)
    minutes, days = minutes_in(record, "warning_temperature_minutes", since)
    seen = _find_seen_heat(record, since)
    room = _find_headroom(ledger, record)
    limit = record.warning_celsius
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
        elif (a_year := find_minutes_a_year(record)) is not None:
            said += f" ({say_times(round(a_year), 'minute')} a year over its whole life)"
    elif room is not None and room < WARN_HEADROOM_CELSIUS and limit is not None:
        observed, severity = _NEAR, Severity.NOTICE
        said = f"keeps {room:.0f} °C below its warning threshold of {limit:.0f} °C (95 of 100 hours)"
    else:
        return None
    before = standing_sign(past, watched.identify_drive(HEAT_NAME))
    if before is not None and before.observed in (_ABOVE, _CRITICAL) and observed == _NEAR:
        observed = before.observed or observed  # it cools down: the sign keeps its words until it clears
    severity = more_severe(severity, before.severity if before is not None else None)
    sign = Finding(
        rule=HEAT_NAME,
        kind=Kind.SIGN,
        severity=severity,
        position=watched.label,
        subject=watched.device or watched.path,
        key=watched.serial or watched.path,
        summary=f"{watched.full_name} {said}",
        observed=_CRITICAL if severity is Severity.CRITICAL else observed,
        evidence={
            "path": watched.path,
            "serial": watched.serial or None,
            "celsius": record.celsius,
            "warning_celsius": limit,
            "critical_celsius": record.critical_celsius,
            "warning_minutes_in_a_week": minutes,
            "critical_minutes_in_a_week": critical,
            "warning_minutes_a_year": None if (rate := find_minutes_a_year(record)) is None else round(rate, 1),
            "minutes_seen_above_in_a_week": seen.minutes,
            "readings_at_critical_in_a_week": seen.critical,
            "headroom_celsius": None if room is None else round(room, 1),
            "throttled_in_a_week": sum(throttle.by for throttle in find_throttles(record, since)),
        },
        next_steps=DRIVE_STEPS,
    )
    return replace(sign, causes=_name_heat(sign, said, record))


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
