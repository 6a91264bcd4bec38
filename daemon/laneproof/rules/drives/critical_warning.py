"""critical-warning: what a drive itself says is wrong with it now.

Rates, trends and wear to come are left to other rules. A drive that says nothing is not called healthy.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from laneproof.advice import BACK_UP, REPLACE, Step, advise
from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import TEMPERATURE_WARNING
from laneproof.past.past import Past
from laneproof.rules.drives.asleep import answered_recently, keep_standing, seconds_unread
from laneproof.rules.drives.health_unread import find_shut, report_shut, report_unread
from laneproof.rules.drives.sata_drives import key_of_drive, report_sign
from laneproof.rules.heat.overheating import WEEK, find_heat, is_heat_reported
from laneproof.rules.rule import Pass, Rule, holds, sign, unverified
from laneproof.rules.sign_subjects import DAY, HOUR, is_returning_guest, watch_drive
from laneproof_collectors.snapshot import HealthLog, SataDrive
from laneproof_collectors.unread import Reason, Unread

_SPARE, _TEMPERATURE = 1 << 0, TEMPERATURE_WARNING
_RELIABILITY, _READ_ONLY, _BACKUP, _PERSISTENT_REGION = (1 << bit for bit in range(2, 6))
_WORDS = {
    _SPARE: ("available spare is below its threshold", Severity.CRITICAL),
    _TEMPERATURE: ("a temperature is beyond its threshold", Severity.WARNING),
    _RELIABILITY: ("reliability is degraded by media or internal errors", Severity.CRITICAL),
    _READ_ONLY: ("the media is read-only", Severity.CRITICAL),
    _BACKUP: ("the volatile memory backup failed", Severity.CRITICAL),
    _PERSISTENT_REGION: ("the persistent memory region is read-only", Severity.WARNING),
}
"""Source: NVM Express Base Specification 2.0, 5.16.1.3, Critical Warning."""
_WORN = ("its rated life is used up (worn: the reliability bit is set without any media error)", Severity.WARNING)
_WORN_AT_PERCENT = 100
_WARNED_AT = "temperature_warned_at"
_LENT = "vfio-pci"
_UNBOUND_SECONDS = HOUR
"""A reset or a rebind by hand leaves a drive without its driver for a while. Our choice."""
_OF_THE_DRIVE = (Reason.MALFORMED, Reason.REFUSED, Reason.FAILED, Reason.GONE)
_MISSED_SECONDS = 6 * HOUR
"""A busy drive may refuse its log now and then: what it said last stands for so long. Our choice."""
_MUTE_SECONDS = 2 * DAY
"""A drive whose health log could be read before, and has made no sense for so long, is worth an alarm. Our choice."""
_LOOK_AT_AIR = "Temperature: look at the air flow first."
_ORDER_SPARE = "Rated life used up is no failure: watch media-errors-rising and spare-low, and order a spare."
_PLAN_TO_REPLACE = Step("Spare, reliability, read-only: plan to replace the drive.", REPLACE.cautions)
_MUTE_STEPS = advise(
    BACK_UP,
    "See the kernel's log for time-outs and resets of this drive, and whether its data can still be read.",
    "Shut the box down in good order and start it again when that suits: if its health log stays unreadable while "
    "others can be read, plan for another drive.",
)


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    shut = find_shut(arrangement.drives)
    if shut:
        yield report_shut(CRITICAL_WARNING, arrangement, shut)
    reported = {drive.own_path for drive, _ in shut}
    for occupant in arrangement.drives:
        if occupant.own_path in reported:
            continue
        if occupant.controller is not None:
            yield from _judge_nvme(current, occupant, occupant.controller.health)
        elif occupant.drive is not None:
            yield from _judge_sata(current, occupant, occupant.drive)
        elif arrangement.topology.controllers_unread is None:
            yield from _judge_unserved(current, occupant)


_SHOWN = (
    "critical_warning", "endurance_group_warning", "percentage_used", "media_errors", "available_spare_percent",
    "composite_temperature_celsius",
)  # fmt: skip


def _judge_unserved(current: Pass, occupant: Occupant) -> Iterator[Finding]:
    """Judge a drive without an NVMe driver: lent to a virtual machine, or unbound for the moment, it is left alone."""
    what = f"the health log of {occupant.name}"
    driver = next((function.driver for function in occupant.functions), None)
    seconds = seconds_unread(current, occupant)
    if driver == _LENT:
        gap = Unread(what, f"it is lent to a virtual machine ({driver})", Reason.NOT_ASKED)
        yield from _judge_unread(current, occupant, gap)
    elif seconds is not None and seconds < _UNBOUND_SECONDS:
        yield from keep_standing(current, CRITICAL_WARNING.name, occupant)
    else:
        gap = Unread(what, "no NVMe driver serves it", Reason.ABSENT)
        yield report_unread(CRITICAL_WARNING, current.arrangement, occupant, gap)


def _judge_unread(current: Pass, occupant: Occupant, gap: Unread) -> Iterator[Finding]:
    seconds = seconds_unread(current, occupant)
    is_missed = gap.reason in _OF_THE_DRIVE and seconds is not None and seconds <= _MISSED_SECONDS
    if is_missed or (gap.reason is Reason.NOT_ASKED and answered_recently(current, occupant)):
        yield from keep_standing(current, CRITICAL_WARNING.name, occupant)
        return
    finding = report_unread(CRITICAL_WARNING, current.arrangement, occupant, gap)
    lasts = gap.reason in _OF_THE_DRIVE and (seconds or 0.0) > _MUTE_SECONDS
    is_overdue = lasts or (gap.reason is Reason.NOT_ASKED and seconds is not None)
    if not is_overdue and finding.identity not in current.past.standing and is_returning_guest(current, occupant):
        return  # reported when it first came
    yield replace(finding, severity=Severity.WARNING, next_steps=_MUTE_STEPS) if lasts else finding


def _judge_nvme(current: Pass, occupant: Occupant, health: HealthLog | Unread) -> Iterator[Finding]:
    arrangement = current.arrangement
    if isinstance(health, Unread):
        yield from _judge_unread(current, occupant, health)
        return
    if "critical_warning" in health.absent:
        what, why = f"the critical warning of {occupant.name}", f"{health.source} does not have it"
        yield report_unread(CRITICAL_WARNING, arrangement, occupant, Unread(what, why, Reason.ABSENT))
        return
    hot_at = _find_temperature_warning(arrangement, occupant, health, current.past)
    others = health.critical_warning & ~_TEMPERATURE
    if "available_spare_threshold_percent" in health.absent:  # its threshold cannot be what it says: see spare-low
        others &= ~_SPARE
    said = list(read_warnings(replace(health, critical_warning=others | (_TEMPERATURE if hot_at is not None else 0))))
    if said:
        shown = {name: None if name in health.absent else getattr(health, name) for name in _SHOWN}
        yield _report_warnings(arrangement, occupant, said, shown | {_WARNED_AT: hot_at})


def _report_warnings(
    arrangement: Arrangement, occupant: Occupant, said: list[tuple[str, Severity]], evidence: Mapping[str, object]
) -> Finding:
    """Report what a drive warns of, with the steps that belong to it."""
    about = {_WORDS[_TEMPERATURE]: _LOOK_AT_AIR, _WORN: _ORDER_SPARE}
    steps = advise(BACK_UP, *(about.get(warning, _PLAN_TO_REPLACE) for warning in said))
    return replace(report_sign(CRITICAL_WARNING, arrangement, occupant, said, evidence, warns=True), next_steps=steps)


def _find_temperature_warning(
    arrangement: Arrangement, occupant: Occupant, health: HealthLog, past: Past
) -> float | None:
    """Find when the drive last warned of a temperature, ledger time; None where that is not, or no longer, reported."""
    ledger, warns_now = past.ledger, bool(health.critical_warning & _TEMPERATURE)
    record = ledger.drives.of(occupant) or ledger.drives.at(occupant.path)
    if record is None:
        return arrangement.snapshot.taken_at if warns_now else None
    before = past.standing.get((CRITICAL_WARNING.name, arrangement.label_of(occupant) or key_of_drive(occupant)))
    # what was said of another drive in this position does not hold for this one
    if before is not None and before.key != key_of_drive(occupant):
        before = None
    # a log that could not be read meanwhile does not end the week
    was_reported = before is not None and (
        before.evidence.get(_WARNED_AT) is not None or before.kind is Kind.UNVERIFIED
    )
    if not warns_now and not (was_reported and ledger.now - record.temperature_warned_at <= WEEK):
        return None
    watched = watch_drive(arrangement, record)
    heat = find_heat(past, watched, record)
    # only overheating is reported where it is an alarm by now, or was raised first
    is_alarm = heat is not None and heat.severity is not Severity.NOTICE
    is_left = is_alarm or (heat is not None and not was_reported and is_heat_reported(past, watched))
    return None if is_left else record.temperature_warned_at


def read_warnings(health: HealthLog) -> Iterator[tuple[str, Severity]]:
    """Put the critical warning of a health log in words, a bit each, with how bad it is.

    Some drives raise the reliability bit when their rated life is used up, without a single media error: that is wear,
    a matter for planning, and said as such (reported in public threads on hosted servers, not in the standard).
    Bits that no standard names are given by number.
    """
    for bit in range(8):
        mask = 1 << bit
        if not health.critical_warning & mask:
            continue
        is_worn = mask == _RELIABILITY and health.percentage_used >= _WORN_AT_PERCENT and health.media_errors == 0
        known = not {"percentage_used", "media_errors"} & set(health.absent)
        unnamed = (f"bit {bit}, which the standard does not name", Severity.WARNING)
        yield _WORN if is_worn and known else _WORDS.get(mask, unnamed)
    if health.endurance_group_warning:
        yield f"an endurance group warns ({health.endurance_group_warning:#04x})", Severity.WARNING


def _judge_sata(current: Pass, occupant: Occupant, drive: SataDrive) -> Iterator[Finding]:
    if isinstance(drive.healthy, Unread):
        yield from _judge_unread(current, occupant, drive.healthy)
    elif drive.healthy is False:
        said = [("its own health assessment failed", Severity.CRITICAL)]
        yield _report_warnings(current.arrangement, occupant, said, {"healthy": False})


CRITICAL_WARNING = Rule(
    name="critical-warning",
    kind=Kind.SIGN,
    statement="No drive reports a critical warning of its own.",
    why=(
        "A drive that says this has decided by itself that data or further writes are in danger. The reverse does not "
        "hold: most failed drives had never warned, so silence is no proof of health. "
        "A temperature warning comes and goes with the load, so it stands until none was seen for a week. Where "
        "overheating reported the drive first, or is an alarm, only overheating reports it. A health log that could "
        "be read before and has made no sense for two days is worth an alarm too."
    ),
    next_steps=advise(BACK_UP, _LOOK_AT_AIR, _ORDER_SPARE, _PLAN_TO_REPLACE),
    judge=_judge,
    examples=(
        holds("no warning"),
        sign(
            "the drive says that its reliability is degraded",
            "riser-1 (nvme0) warns: reliability is degraded by media or internal errors",
        ),
        sign(
            "the same bit from a drive past its rated life without a media error: wear, a warning",
            "riser-1 (nvme0) warns: its rated life is used up (worn: the reliability bit is set without any "
            "media error)",
        ),
        unverified(
            "the health log could not be read",
            "what riser-1 says of its health could not be verified: could not read log 02h of nvme0: permission denied",
        ),
        unverified(
            "the health logs of all four drives may not be read: one notice that names them all",
            "what nvme0, nvme1, nvme2, nvme3 say of their health could not be verified: could not read log 02h "
            "of nvme0: permission denied; the others likewise",
        ),
    ),
    sources=(
        "NVM Express Base Specification 2.0, 5.16.1.3: SMART / Health Information, Critical Warning",
        "The reliability bit of worn drives without media errors: reported in public threads, not in the standard",
    ),
)
