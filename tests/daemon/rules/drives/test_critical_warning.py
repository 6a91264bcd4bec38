"""critical-warning: what a drive says of itself."""

import errno
from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import RISER_1, Box, declare, make_health, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.advice import BACK_UP
from laneproof.engine import Engine
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.drives.critical_warning import CRITICAL_WARNING, read_warnings
from laneproof.rules.unread_steps import SHORT_OF
from laneproof_collectors.questions import unread_from_errno
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as list_findings

HOT = 2  # bit 1: a temperature is beyond its threshold


def judge(health: dict[str, object] | Unread, text: str | None = None) -> list[Finding]:
    return list_findings(CRITICAL_WARNING, text, one_drive(health=health))


# Source: NVM Express Base Specification 2.0, 5.16.1.3, Critical Warning (libnvme's types.h restates it)
@pytest.mark.parametrize(
    ("bit", "words", "severity"),
    [
        (0, "spare", Severity.CRITICAL),
        (1, "temperature", Severity.WARNING),
        (2, "reliability", Severity.CRITICAL),
        (3, "read-only", Severity.CRITICAL),
        (4, "backup", Severity.CRITICAL),
        (5, "persistent memory region", Severity.WARNING),
        (6, "bit 6", Severity.WARNING),
        (7, "bit 7", Severity.WARNING),
    ],
)
def test_each_bit_in_words(bit: int, words: str, severity: Severity) -> None:
    (finding,) = judge({"critical_warning": 1 << bit, "media_errors": 1})
    assert (finding.kind, finding.severity) == (Kind.SIGN, severity)
    assert words in finding.summary


@pytest.mark.parametrize(
    ("health", "steps"),
    [
        ({"critical_warning": 0b1}, ["Make sure", "Spare, reli"]),
        ({"critical_warning": HOT}, ["Make sure", "Temperature"]),
        ({"critical_warning": 0b100, "percentage_used": 104}, ["Make sure", "Rated life "]),
        ({"critical_warning": 0b1011}, ["Make sure", "Spare, reli", "Temperature"]),
    ],
)
def test_only_steps_that_belong_to_a_warning_are_said(health: dict[str, object], steps: list[str]) -> None:
    (finding,) = judge(health)
    assert [step[: len(start)] for step, start in zip(finding.next_steps, steps, strict=True)] == steps


# Source: the same; a drive that is read-only, short of spare or without backup is that however worn it is. That some
# drives raise the reliability bit for wear alone is reported of hosted servers (common practice, no source).
@pytest.mark.parametrize(
    ("bits", "severity", "says_worn"),
    [
        (0b000001, Severity.CRITICAL, False),
        (0b000010, Severity.WARNING, False),
        (0b000100, Severity.WARNING, True),
        (0b001000, Severity.CRITICAL, False),
        (0b010000, Severity.CRITICAL, False),
        (0b100000, Severity.WARNING, False),
        (0b000101, Severity.CRITICAL, True),
        (0b001100, Severity.CRITICAL, True),
        (0b001010, Severity.CRITICAL, False),
        (0b100110, Severity.WARNING, True),
    ],
)
def test_wear_excuses_the_reliability_bit_alone(bits: int, severity: Severity, *, says_worn: bool) -> None:
    (finding,) = judge({"critical_warning": bits, "percentage_used": 105, "media_errors": 0})
    assert finding.severity is severity
    assert ("rated life is used up" in finding.summary) is says_worn
    for mask, words in ((1, "spare is below"), (2, "temperature is beyond"), (8, "media is read-only"), (16, "backup")):
        assert (words in finding.summary) is bool(bits & mask)


@pytest.mark.parametrize(
    ("used", "media_errors", "absent", "worn"),
    [
        (100, 0, (), True),
        (255, 0, (), True),
        (99, 0, (), False),
        (120, 1, (), False),
        (120, 0, ("media_errors",), False),  # not given, so not known to be zero
    ],
)
def test_reliability_bit_of_a_worn_drive_without_media_errors_is_wear(
    used: int, media_errors: int, absent: tuple[str, ...], worn: bool
) -> None:
    log = make_health(critical_warning=4, percentage_used=used, media_errors=media_errors, absent=absent)
    ((words, severity),) = read_warnings(log)
    assert ("worn" in words) == worn
    assert severity is (Severity.WARNING if worn else Severity.CRITICAL)


@pytest.mark.parametrize(
    ("health", "kinds", "words"),
    [
        ({"endurance_group_warning": 4}, [Kind.SIGN], "an endurance group warns (0x04)"),
        ({"error_log_entries": 419}, [], ""),  # rejected commands raise the count on sound drives
        ({"source": "smartctl", "absent": ("critical_warning",)}, [Kind.UNVERIFIED], "smartctl does not have it"),
    ],
)
def test_what_else_the_log_says(health: dict[str, object], kinds: list[Kind], words: str) -> None:
    findings = judge(health)
    assert [finding.kind for finding in findings] == kinds
    assert all(words in finding.summary for finding in findings)


def test_identity_is_the_position_else_the_serial_number() -> None:
    assert judge({"critical_warning": 1}, RISER_1)[0].identity == ("critical-warning", "riser-1")
    assert judge({"critical_warning": 1})[0].identity == ("critical-warning", "FN1")


@pytest.mark.parametrize(
    ("healthy", "kind"),
    [(True, None), (None, None), (False, Kind.SIGN), (Unread("sda", "it sleeps", Reason.NOT_ASKED), Kind.UNVERIFIED)],
)
def test_sata_drives_own_assessment(healthy: bool | Unread | None, kind: Kind | None) -> None:
    findings = list_findings(CRITICAL_WARNING, None, Box().with_sata_drive("0000:00/17.0/ata-1", healthy=healthy))
    assert [finding.kind for finding in findings] == ([kind] if kind else [])


def watch(watcher: Watcher, *warnings: int, serial: str = "FN1", **health: Any) -> Watcher:
    """Read every hour a cool drive that warns as given; why it warns of a temperature is not said."""
    for warning in warnings:
        watcher.observe(one_drive(serial, health={"critical_warning": warning, **health}), after=HOUR)
    return watcher


def test_a_temperature_warning_that_follows_each_load_is_reported_once() -> None:
    watcher = watch(Watcher("critical-warning"), *[HOT, HOT, 0, 0, 0, 0] * 40)
    assert watcher.became == ["raised"]


def test_a_temperature_warning_stands_for_a_week_of_silence_and_no_longer() -> None:
    watcher = watch(Watcher("critical-warning"), HOT, *[0] * 168)
    assert [finding.severity for finding in watcher.standing] == [Severity.WARNING]
    watch(watcher, 0)
    assert watcher.became == ["raised", "cleared"]


def test_a_log_that_could_not_be_read_meanwhile_does_not_end_the_week() -> None:
    watcher = watch(Watcher("critical-warning"), HOT, 0)
    watcher.observe(one_drive(health=Unread("log 02h of nvme0", "no answer in time")), after=7 * HOUR)
    watch(watcher, 0, HOT, 0)
    assert watcher.became == ["raised", "changed", "changed"]
    assert [finding.kind for finding in watcher.standing] == [Kind.SIGN]


@pytest.mark.parametrize(("hours", "changes"), [(5, []), (7, ["raised"])])
def test_a_log_that_is_refused_now_and_then_is_reported_once_that_lasts(hours: int, changes: list[str]) -> None:
    watcher = watch(Watcher("critical-warning"), 0)
    watcher.observe(one_drive(health=Unread("log 02h of nvme0", "status 06h", Reason.REFUSED)), after=hours * HOUR)
    assert watcher.became == changes


@pytest.mark.parametrize("bit", [0, 2, 3, 4, 5])
def test_every_other_warning_is_reported_at_once_and_as_it_is(bit: int) -> None:
    watcher = watch(Watcher("critical-warning"), 0, 1 << bit)
    assert watcher.became == ["raised"]
    assert watch(watcher, 0).became == ["raised", "cleared"]


def test_another_warning_beside_a_held_one_is_reported_at_once() -> None:
    watcher = watch(Watcher("critical-warning"), HOT, 0, 0b1000)
    assert watcher.became == ["raised", "changed"]
    assert watcher.severity == "critical"
    assert "read-only" in watcher.standing[0].summary


def test_a_held_warning_is_not_that_of_the_next_drive_in_its_position() -> None:
    watcher = watch(Watcher("critical-warning", declare(RISER_1)), HOT, 0)
    assert watch(watcher, 0, serial="FN2").became == ["raised", "cleared"]


def test_a_held_warning_stands_over_a_restart_of_the_program() -> None:
    watcher = watch(Watcher("critical-warning"), *[HOT, 0, 0] * 100)
    (first,) = watcher.standing
    engine = Engine(None)  # what was kept of the finding is as it was when it was raised, long ago
    raised_then = replace(first, evidence={**first.evidence, "temperature_warned_at": watcher.now - 300 * HOUR})
    engine.restore((raised_then,), watcher.engine.as_state())
    watcher.engine = engine
    assert watch(watcher, 0, 0).became == ["raised"]


def heat_up(*, passes: int, before: int = 0) -> tuple[Watcher, Watcher]:
    """A drive that was above its threshold at so many passes before it warned, and then warns with each load."""
    watcher, heat = Watcher("critical-warning"), Watcher("overheating")
    for load in range(passes):
        for rule_watcher in (watcher, heat):
            warning = 0 if load < before else HOT
            watch(rule_watcher, warning, composite_temperature_celsius=82.0, warning_temperature_minutes=20 * load)
            watch(rule_watcher, 0, 0, warning_temperature_minutes=20 * load + 10)
    return watcher, heat


def test_a_temperature_warning_stands_until_overheating_is_an_alarm_and_does_not_come_again() -> None:
    watcher, heat = heat_up(passes=40)
    assert watcher.became == ["raised", "cleared"]
    assert [severity for _, severity, _ in heat.changes] == ["notice", "warning"]


def test_a_temperature_warning_is_left_to_overheating_that_spoke_first() -> None:
    watcher, heat = heat_up(passes=40, before=1)
    assert watcher.became == []
    assert heat.became == ["raised", "changed"]


def test_a_drive_that_is_only_warm_warns_for_itself() -> None:
    watcher = watch(Watcher("critical-warning"), *[0, HOT] * 24, composite_temperature_celsius=77.0)
    assert watcher.became == ["raised"]


def test_overheating_does_not_speak_for_other_warnings() -> None:
    watcher = Watcher("critical-warning")
    for load in range(3):
        watch(watcher, HOT | 1, critical_temperature_minutes=20 * load)
    (finding,) = watcher.standing
    assert "spare" in finding.summary
    assert "temperature" not in finding.summary


@pytest.mark.parametrize(
    ("told_before", "gap", "severities", "first_step"),
    [
        (True, Unread("log 02h of nvme0", "all ones", Reason.MALFORMED), ["notice", "warning"], BACK_UP.says),
        (True, unread_from_errno("log 02h of nvme0", errno.EMFILE), ["notice"], SHORT_OF),  # no fault of the drive
        (False, Unread("log 02h of nvme0", "status 2", Reason.REFUSED), ["notice"], "The device itself refused"),
    ],
)
def test_a_health_log_that_stays_away_for_days_is_an_alarm_where_the_drive_reported_it_before(
    told_before: bool, gap: Unread, severities: list[str], first_step: str
) -> None:
    watcher = Watcher("critical-warning")
    if told_before:
        watcher.observe(one_drive())
    watcher.observe(one_drive(health=gap), after=DAY, times=9)
    assert [severity for _, severity, _ in watcher.changes] == severities
    assert watcher.standing[0].next_steps[0].startswith(first_step)
    assert watcher.observe(one_drive(), after=DAY).standing == []


MALFORMED = Unread("smartctl of sdb", "not a health log", Reason.MALFORMED)
ASLEEP = Unread("what sdb itself reports", "it is in standby and is not woken by a reading", Reason.NOT_ASKED)


def usb(healthy: bool | Unread = True) -> Box:  # noqa: FBT002 (what the drive says of itself)
    return Box().with_sata_drive("0000:00/14.0/usb-1", name="sdb", interface="usb", healthy=healthy)


@pytest.mark.parametrize(
    ("gap", "changes"), [(MALFORMED, [("raised", "notice"), ("changed", "warning")]), (ASLEEP, [("raised", "notice")])]
)
def test_a_usb_drive_that_was_never_unplugged_is_judged_as_any_other(
    gap: Unread, changes: list[tuple[str, str]]
) -> None:
    watcher = Watcher("critical-warning")
    for day in range(34):
        watcher.observe(usb(gap if day >= 4 else True), after=DAY)
    assert [change[:2] for change in watcher.changes] == changes


def test_a_usb_drive_that_came_back_is_left_alone_for_half_a_day() -> None:
    watcher = Watcher("critical-warning").observe(usb()).observe(Box(), after=DAY)
    watcher.observe(usb(MALFORMED), after=HOUR).observe(usb(MALFORMED), after=10 * HOUR)
    assert watcher.changes == []
    watcher.observe(usb(MALFORMED), after=3 * HOUR)
    assert [change[:2] for change in watcher.changes] == [("raised", "notice")]


def test_a_usb_drive_that_comes_back_each_night_and_tells_of_its_health_no_more_is_an_alarm() -> None:
    watcher = Watcher("critical-warning").observe(usb())
    for _ in range(4):
        watcher.observe(Box(), after=23 * HOUR).observe(usb(MALFORMED), after=HOUR)
    assert watcher.severity == "warning"


def denied(number: int) -> Unread:
    return Unread(f"log 02h of nvme{number}", "permission denied", Reason.DENIED)


def shut() -> Box:
    box = Box()
    for number in range(4):
        box.with_port(f"0000:00/01.{number + 1}").with_drive(f"0000:00/01.{number + 1}", health=denied(number))
    return box


def test_examples() -> None:
    check_examples(
        CRITICAL_WARNING,
        RISER_1,
        example(one_drive()),
        example(one_drive(health={"critical_warning": 4, "media_errors": 31}), "critical nvme0 | Make sure that a"),
        example(one_drive(health={"critical_warning": 4, "percentage_used": 104}), "warning nvme0 | Make sure that a"),
        example(one_drive(health=denied(0)), "notice nvme0 | Run the audit as"),
        example(shut(), "notice the health logs of 4 drives | Run the audit as", build=None),
    )
