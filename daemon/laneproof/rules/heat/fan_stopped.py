"""fan-stopped: fans that stand still, and are declared or were seen turning."""

from collections.abc import Iterator

from laneproof.advice import OPEN_CASE, advise
from laneproof.declaration.tables import DeclaredFan
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import name_fans
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof_collectors.snapshot import Fan
from laneproof_collectors.unread import Reason, Unread

_RESTS = 2
_SHORT_REST_SECONDS, _FIRST_REST_SECONDS, _LONGEST_REST_SECONDS = 3600.0, 86_400.0, 3 * 86_400.0
"""A fan that stood still and turned again so often rests by plan, for days at most; one that never did is given a day
for that. Our choice; that boards let fans rest is common practice, no source."""
_STOPS_BY_PLAN = ("amdgpu", "nouveau", "radeon", "xe")  # graphics cards rest their fans while they are cool
_FAN_ALARM = "its chip raises an alarm"


def _judge(current: Pass) -> Iterator[Finding]:
    plans = current.build.fan if current.build else ()
    if isinstance(current.snapshot.thermal, Unread):
        for plan in plans:
            yield FAN_STOPPED.report_unverified(current.snapshot.thermal, about=f"fan {_key(plan)}", key=_key(plan))
        return
    fans = list(name_fans(current.snapshot.thermal.fans))
    judged: set[str] = set()
    for plan in plans:
        mine = [(name, fan) for name, fan in fans if fan.label == plan.label and plan.chip in (None, fan.chip)]
        judged.update(name for name, _ in mine)
        yield from _judge_declared(plan, mine)
    for name, fan in fans:
        if name not in judged and fan.rpm == 0 and name in current.past.box.turning and fan.chip not in _STOPS_BY_PLAN:
            severity = _weigh(current, name, fan)
            if severity is not None:
                yield _report_stopped(name, fan, "stands still, and was seen turning before", severity, declared=None)


def _weigh(current: Pass, name: str, fan: Fan) -> Severity | None:
    """Weigh that a fan which nobody declared stands still: many boards let one rest while it is cool."""
    box, now = current.past.box, current.snapshot.taken_at
    stood = now - box.still.get(name, now)
    if box.rests.get(name, 0) >= _RESTS:  # its chip may raise an alarm at each rest too
        return Severity.NOTICE if stood >= _LONGEST_REST_SECONDS else None
    if fan.alarm is True or stood >= _FIRST_REST_SECONDS:
        return Severity.WARNING
    return Severity.NOTICE if stood >= _SHORT_REST_SECONDS else None


def _judge_declared(plan: DeclaredFan, mine: list[tuple[str, Fan]]) -> Iterator[Finding]:
    if not mine:
        why = "no chip shows a fan of that name; its driver may not be loaded"
        gap = Unread(f"fan {_key(plan)}", why, Reason.ABSENT)
        steps = ("See which fans the chips show ('grep . /sys/class/hwmon/*/fan*_label'), and the board's own setup.",)
        yield FAN_STOPPED.report_unverified(gap, about=f"fan {_key(plan)}", why=why, key=_key(plan), next_steps=steps)
        return
    for name, fan in mine:
        least = plan.minimum_rpm
        declared = f"at least {least} rpm" if least else "turning"
        if isinstance(fan.rpm, Unread):
            yield FAN_STOPPED.report_unverified(fan.rpm, about=f"fan {name}", key=name)
        elif fan.rpm == 0:
            yield _report_stopped(name, fan, "stands still", Severity.CRITICAL, declared=declared)
        elif least is not None and fan.rpm < least:
            yield _report_stopped(name, fan, f"turns at {fan.rpm} rpm only", Severity.WARNING, declared=declared)
        elif least is None and fan.alarm is True:
            yield _report_stopped(name, fan, _FAN_ALARM, Severity.WARNING, declared=declared)


def _key(plan: DeclaredFan) -> str:
    return f"{plan.chip} {plan.label}" if plan.chip else plan.label


def _report_stopped(name: str, fan: Fan, words: str, severity: Severity, *, declared: str | None) -> Finding:
    return FAN_STOPPED.report(
        severity=severity,
        key=name,
        summary=f"fan {name}: {words}" + (f"; declared {declared}" if declared else ""),
        declared=declared,
        observed="too slow" if isinstance(fan.rpm, int) and fan.rpm else "stopped",
        evidence={
            "rpm": fan.rpm if isinstance(fan.rpm, int) else None,
            "chip_minimum_rpm": fan.minimum_rpm if isinstance(fan.minimum_rpm, int) else None,
            "alarm": fan.alarm if isinstance(fan.alarm, bool) else None,
        },
    )


FAN_STOPPED = Rule(
    name="fan-stopped",
    kind=Kind.SIGN,
    statement="Every declared fan turns, and none that turned before stands still.",
    why=(
        "A fan fails without a word, and drives without air throttle or die within the hour. A connector with nothing "
        "on it looks the same as a fan that stopped, so declare the fans that matter. One that nobody declared is a "
        "notice once it has stood still for an hour, and an alarm after a day, or where its chip says so; one that "
        "rested and turned again twice is left alone for three days."
    ),
    next_steps=advise(
        "Look at the temperatures of the drives in its air (overheating), and lower the load until it turns again.",
        "Look whether it is blocked or unplugged, and how the firmware controls it. Keep fingers off. " + OPEN_CASE,
        "If the board rests this fan by plan while it is cool, say so: leave it out of the declaration.",
    ),
    judge=_judge,
    examples=(
        holds("the declared fan turns; a connector with nothing on it reads 0"),
        sign("the declared fan stands still", "fan board fan2: stands still; declared at least 500 rpm"),
        sign(
            "a fan that nobody declared turned before, and has stood still for an hour",
            "fan board fan1: stands still, and was seen turning before",
        ),
    ),
    sources=("Linux Documentation/hwmon/sysfs-interface.rst: fan*_input, fan*_min, fan*_alarm",),
)
