"""fan-stopped, and the part of overheating that is not the NVMe drives': board, processor, SATA and SAS drives.

There is no fixed limit: each part is held to its own (hwmon's maximum and critical values, a drive's recommended and
highest temperature), and what tells no limit is not judged. Board connectors with nothing on them read 0 turns and odd
temperatures, so a fan is missed only where it is declared or was seen turning, and a reading that no part survives is
taken for a sensor that is not there.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredFan
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import DAY, BoxRecord, key_of, name_fans
from laneproof.past.past import Past
from laneproof.rules.cannot_tell import cannot_tell
from laneproof.rules.cautions import OPEN_CASE
from laneproof.rules.example_box import A_MORNING, Box
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Fan, Snapshot, TemperatureReading, Thermal
from laneproof_collectors.unread import Reason, Unread

OVERHEATING, FAN_STOPPED_NAME = "overheating", "fan-stopped"

CLOSE_CELSIUS = 5.0
"""Less than this below a part's own limit is worth a note. Judgement."""
_SURVIVABLE = (-40.0, 120.0)  # beyond it a board's sensor is not connected: such read -128, 127 or 255 (no source)
_SENSIBLE_LIMITS = (30.0, 120.0)  # limits that nobody set read 0, or the largest number of their register (no source)
_STOPS_BY_PLAN = ("amdgpu", "nouveau", "radeon", "xe")  # graphics cards rest their fans while they are cool
_FAN_ALARM = "its chip raises an alarm"


# --- overheating ------------------------------------------------------------------------------------------------------


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


def judge_box_heat(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    """Hold board, processor and SATA drives to their own limits.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts.
        past: What is known of earlier passes.

    Yields:
        Findings of the rule ``overheating``; those of NVMe drives are another module's.
    """
    for part in (*_board_parts(snapshot.thermal), *_drive_parts(build, snapshot)):
        yield from _judge_part(part)
    yield from _judge_throttling(snapshot, past)


def _board_parts(thermal: Thermal | Unread) -> Iterator[_Part]:
    seen: dict[str, int] = {}
    for chip, reading in () if isinstance(thermal, Unread) else thermal.temperatures:
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


def _drive_parts(build: Build | None, snapshot: Snapshot) -> Iterator[_Part]:
    arrangement = arrange(build, snapshot)
    for occupant in arrangement.drives:
        drive = occupant.drive
        if drive is None or drive.asleep or drive.temperature_celsius is None or isinstance(drive.healthy, Unread):
            continue
        label = arrangement.place_of(occupant)
        yield _Part(
            name=f"{label} ({drive.name})" if label else drive.name,
            key=drive.serial if isinstance(drive.serial, str) else occupant.own_path,
            position=label,
            celsius=drive.temperature_celsius,
            high=drive.recommended_celsius,
            highest=drive.most_celsius,
        )


def _judge_part(part: _Part) -> Iterator[Finding]:
    limits = [one for one in (part.high, part.highest) if one is not None]
    if not limits:
        return
    if isinstance(part.celsius, Unread):
        yield cannot_tell(
            OVERHEATING, part.celsius, about=f"the heat of {part.name}", key=part.key, position=part.position
        )
        return
    coldest, hottest = _SURVIVABLE
    if not coldest < part.celsius < hottest:
        return  # a sensor that is not connected, see above
    if part.highest is not None and part.celsius >= part.highest:
        yield _tell_hot(part, part.celsius, part.highest, "is at or beyond its limit", Severity.CRITICAL)
    elif part.high is not None and part.celsius > part.high and not (part.runs_close and part.highest is not None):
        yield _tell_hot(part, part.celsius, part.high, "is above what it is meant for", Severity.WARNING)
    elif min(limits) - part.celsius < CLOSE_CELSIUS and not part.runs_close:
        yield _tell_hot(part, part.celsius, min(limits), "comes close to what it is meant for", Severity.NOTICE)


def _tell_hot(part: _Part, celsius: float, limit: float, words: str, severity: Severity) -> Finding:
    return Finding(
        rule=OVERHEATING,
        kind=Kind.SIGN,
        severity=severity,
        position=part.position,
        subject=part.name,
        key=part.key,
        summary=f"{part.name} {words}: {celsius:.0f} °C, its own limit is {limit:.0f} °C",
        observed=words,
        evidence={
            "celsius": celsius,
            "headroom_celsius": round(limit - celsius, 1),
            "maximum_celsius": part.high,
            "critical_celsius": part.highest,
        },
        next_steps=HOT_NEXT,
    )


def _judge_throttling(snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    thermal = snapshot.thermal
    for package, count in {} if isinstance(thermal, Unread) else thermal.throttle_counts.items():
        lately = past.box.grown(key_of("processor", package, "throttled"), within=DAY, now=snapshot.taken_at)
        if lately:
            yield Finding(
                rule=OVERHEATING,
                kind=Kind.SIGN,
                severity=Severity.NOTICE,
                subject=f"processor {package}",
                key=f"processor {package}",
                summary=f"processor {package} slowed itself down for heat {lately} times in the last day",
                observed="slows down for heat",
                evidence={"throttled_last_day": lately, "throttled_since_start": count},
                next_steps=HOT_NEXT,
            )


HOT_NEXT = (
    "See that every fan turns (fan-stopped), that nothing blocks the air, and how warm the room is.",
    "See that heat sinks are fitted and dust is gone. Parts stay hot for minutes after the power is off. " + OPEN_CASE,
    "Compare with the limit that the part's maker states; what a sensor is called may not be what it measures.",
)


# --- fan-stopped ------------------------------------------------------------------------------------------------------


def _judge_fans(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    plans = build.fan if build else ()
    if isinstance(snapshot.thermal, Unread):
        for plan in plans:
            yield cannot_tell(FAN_STOPPED_NAME, snapshot.thermal, about=f"fan {_key(plan)}", key=_key(plan))
        return
    fans = list(name_fans(snapshot.thermal.fans))
    judged: set[str] = set()
    for plan in plans:
        mine = [(name, fan) for name, fan in fans if fan.label == plan.label and plan.chip in (None, fan.chip)]
        judged.update(name for name, _ in mine)
        yield from _judge_declared(plan, mine)
    for name, fan in fans:
        if name not in judged and fan.rpm == 0 and name in past.box.turning and fan.chip not in _STOPS_BY_PLAN:
            yield _tell_stopped(name, fan, "stands still, and was seen turning before", Severity.WARNING, declared=None)


def _judge_declared(plan: DeclaredFan, mine: list[tuple[str, Fan]]) -> Iterator[Finding]:
    if not mine:
        why = "no chip shows a fan of that name; its driver may not be loaded"
        gap = Unread(f"fan {_key(plan)}", why, Reason.ABSENT)
        steps = ("See which fans the chips show ('grep . /sys/class/hwmon/*/fan*_label'), and the board's own setup.",)
        yield cannot_tell(FAN_STOPPED_NAME, gap, about=f"fan {_key(plan)}", key=_key(plan), next_steps=steps)
        return
    for name, fan in mine:
        least = plan.minimum_rpm
        declared = f"at least {least} rpm" if least else "turning"
        if isinstance(fan.rpm, Unread):
            yield cannot_tell(FAN_STOPPED_NAME, fan.rpm, about=f"fan {name}", key=name)
        elif fan.rpm == 0:
            yield _tell_stopped(name, fan, "stands still", Severity.CRITICAL, declared=declared)
        elif least is not None and fan.rpm < least:
            yield _tell_stopped(name, fan, f"turns at {fan.rpm} rpm only", Severity.WARNING, declared=declared)
        elif least is None and fan.alarm is True:
            yield _tell_stopped(name, fan, _FAN_ALARM, Severity.WARNING, declared=declared)


def _key(plan: DeclaredFan) -> str:
    return f"{plan.chip} {plan.label}" if plan.chip else plan.label


def _tell_stopped(name: str, fan: Fan, words: str, severity: Severity, *, declared: str | None) -> Finding:
    return Finding(
        rule=FAN_STOPPED_NAME,
        kind=Kind.SIGN,
        severity=severity,
        subject=name,
        key=name,
        summary=f"fan {name}: {words}" + (f"; declared {declared}" if declared else ""),
        declared=declared,
        observed="too slow" if isinstance(fan.rpm, int) and fan.rpm else "stopped",
        evidence={
            "rpm": fan.rpm if isinstance(fan.rpm, int) else None,
            "chip_minimum_rpm": fan.minimum_rpm if isinstance(fan.minimum_rpm, int) else None,
            "alarm": fan.alarm if isinstance(fan.alarm, bool) else None,
        },
        next_steps=FAN_STOPPED.look_next,
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_BUILD = """
schema = 1
box.name = "kelp-1"
fan = [{ label = "fan2", minimum_rpm = 500 }]
"""


def _fans(*rpm: int) -> Snapshot:
    fans = tuple(
        Fan(chip="board", label=f"fan{number}", rpm=one, minimum_rpm=None, alarm=None)
        for number, one in enumerate(rpm, start=1)
    )
    return Box().with_group(thermal=Thermal(fans=fans)).snapshot()


def example_heat(celsius: float) -> Snapshot:
    """Make a box whose board has a sensor with a limit of 95 °C."""
    reading = TemperatureReading(label="VRM", celsius=celsius, maximum_celsius=None, critical_celsius=95.0)
    return Box().with_group(thermal=Thermal(temperatures=(("board", reading),))).snapshot()


FAN_STOPPED = Rule(
    name=FAN_STOPPED_NAME,
    kind=Kind.SIGN,
    statement="Every declared fan turns, and none that turned before stands still.",
    why=(
        "A fan fails without a word, and drives without air throttle or die within the hour. A connector with nothing "
        "on it looks the same as a fan that stopped, so declare the fans that matter."
    ),
    look_next=(
        "Look at the temperatures of the drives in its air (overheating), and lower the load until it turns again.",
        "Look whether it is blocked or unplugged, and how the firmware controls it. Keep fingers off. " + OPEN_CASE,
        "If the board rests this fan by plan while it is cool, say so: leave it out of the declaration.",
    ),
    judge=_judge_fans,
    examples=(
        Example(
            says="the declared fan turns; a connector with nothing on it reads 0",
            build=_BUILD,
            snapshot=lambda: _fans(0, 900),
            expect=(),
        ),
        Example(
            says="the declared fan stands still",
            build=_BUILD,
            snapshot=lambda: _fans(800, 0),
            expect=(Kind.SIGN,),
        ),
        Example(
            says="a fan that nobody declared turned an hour ago and stands still now",
            build=None,
            snapshot=lambda: _fans(0),
            past=Past(box=BoxRecord(turning={"board fan1": A_MORNING - 3600.0})),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("Linux Documentation/hwmon/sysfs-interface.rst: fan*_input, fan*_min, fan*_alarm",),
)

BOX_OVERHEATING = Rule(
    name=OVERHEATING,
    kind=Kind.SIGN,
    statement="Board, processor and drives stay below their own limits.",
    why=(
        "Heat slows parts down, then makes them fail, first under load and without a word. What counts is how far each "
        "part stays below its own limit: sensors sit in different places, and no one figure suits all."
    ),
    look_next=HOT_NEXT,
    judge=judge_box_heat,
    examples=(
        Example(says="well below its limit", build=None, snapshot=lambda: example_heat(60.0), expect=()),
        Example(says="at its own limit", build=None, snapshot=lambda: example_heat(96.0), expect=(Kind.SIGN,)),
    ),
    sources=(
        "Linux Documentation/hwmon/sysfs-interface.rst: temp*_max, temp*_crit; x86 thermal_throttle counters",
        "ACS-3, SCT Temperature History; SCSI Temperature log page: a drive's own limits (from memory)",
    ),
)
