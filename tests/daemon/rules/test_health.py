"""critical-warning: what a drive says of itself."""

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.past import NOTHING
from laneproof.rules.health import CRITICAL_WARNING, read_warnings
from laneproof_collectors.unread import Reason, Unread
from simulated_box import SATA, Box, declare, make_health

PATH = "0000:00/01.1"


def judge(health: dict[str, object] | Unread, text: str | None = None) -> list[Finding]:
    box = Box().with_port(PATH).with_drive(PATH, serial="FN0001", health=health)
    return list(CRITICAL_WARNING.judge(None if text is None else declare(text), box.snapshot(), NOTHING))


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


def test_several_bits_are_one_finding_of_the_worst_severity() -> None:
    (finding,) = judge({"critical_warning": 0b1010})
    assert finding.severity is Severity.CRITICAL
    assert "temperature" in finding.summary
    assert "read-only" in finding.summary


@pytest.mark.parametrize(
    ("used", "media_errors", "absent", "worn"),
    [
        (100, 0, (), True),
        (255, 0, (), True),
        (99, 0, (), False),
        (120, 1, (), False),
        (120, 0, ("media_errors",), False),  # not told, so not known to be zero
    ],
)
def test_reliability_bit_of_a_worn_drive_without_media_errors_is_wear(
    used: int,
    media_errors: int,
    absent: tuple[str, ...],
    worn: bool,  # noqa: FBT001 (a column of the table)
) -> None:
    log = make_health(critical_warning=4, percentage_used=used, media_errors=media_errors, absent=absent)
    ((words, severity),) = read_warnings(log)
    assert ("worn" in words) == worn
    assert severity is (Severity.WARNING if worn else Severity.CRITICAL)


def test_endurance_group_warning_is_told() -> None:
    (finding,) = judge({"endurance_group_warning": 4})
    assert "endurance group" in finding.summary


def test_sound_drive_is_silent() -> None:
    assert judge({}) == []


def test_error_log_entries_alone_are_no_warning() -> None:
    # rejected commands raise the count on sound drives
    assert judge({"error_log_entries": 419}) == []


def test_unread_log_is_unverified_with_what_to_do() -> None:
    (finding,) = judge(Unread("log 02h of nvme0", "permission denied", Reason.DENIED))
    assert (finding.kind, finding.severity) == (Kind.UNVERIFIED, Severity.NOTICE)
    assert "root" in finding.next_steps[0]


def test_sleeping_drive_is_unverified_and_was_not_woken() -> None:
    (finding,) = judge(Unread("log 02h of nvme0", "it sleeps", Reason.NOT_ASKED))
    assert "not woken" in finding.next_steps[0]


def test_source_that_does_not_tell_the_warning_is_unverified() -> None:
    (finding,) = judge({"source": "smartctl", "absent": ("critical_warning",)})
    assert finding.kind is Kind.UNVERIFIED


def test_identity_is_the_position_else_the_serial_number() -> None:
    text = f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"'
    assert judge({"critical_warning": 1}, text)[0].identity == ("critical-warning", "riser-1")
    assert judge({"critical_warning": 1})[0].identity == ("critical-warning", "FN0001")


def test_drive_that_no_driver_serves_is_unverified() -> None:
    box = Box().with_port(PATH).with_drive(PATH).with_group(controllers=())
    assert [one.kind for one in CRITICAL_WARNING.judge(None, box.snapshot(), NOTHING)] == [Kind.UNVERIFIED]


@pytest.mark.parametrize(
    ("healthy", "kind"),
    [(True, None), (None, None), (False, Kind.SIGN), (Unread("sda", "it sleeps", Reason.NOT_ASKED), Kind.UNVERIFIED)],
)
def test_sata_drives_own_assessment(healthy: bool | Unread | None, kind: Kind | None) -> None:  # noqa: FBT001
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1", healthy=healthy)
    findings = list(CRITICAL_WARNING.judge(None, box.snapshot(), NOTHING))
    assert [one.kind for one in findings] == ([kind] if kind else [])


# Logs of real drives, from the reference samples: none of them raised a warning
@pytest.mark.parametrize(("spare", "used", "media_errors"), [(100, 2, 0), (100, 3, 0), (99, 0, 472)])
def test_real_drives_that_raised_nothing_are_silent(spare: int, used: int, media_errors: int) -> None:
    log = make_health(available_spare_percent=spare, percentage_used=used, media_errors=media_errors)
    assert list(read_warnings(log)) == []
