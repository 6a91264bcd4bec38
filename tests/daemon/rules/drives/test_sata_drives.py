"""Which SATA and SAS drives are judged, and in which position."""

import pytest

from disk_box import DENIED, judge
from laneproof.rules import judge_all
from laneproof.rules.drives.interface_errors import INTERFACE_ERRORS
from laneproof.rules.drives.sectors_failing import SECTORS_FAILING
from laneproof.rules.drives.self_test_failed import SELF_TEST_FAILED
from laneproof.rules.rule import Pass, Rule
from snapshot_box import SATA, Box, declare

RULES = (SECTORS_FAILING, INTERFACE_ERRORS, SELF_TEST_FAILED)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_sound_drive_holds(rule: Rule) -> None:
    assert judge(rule) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_without_such_a_count_holds(rule: Rule) -> None:
    facts = {"pending_sectors": None, "reallocated_sectors": None, "uncorrectable_sectors": None}
    assert judge(rule, interface_errors=None, last_self_test=None, **facts) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_of_which_nothing_can_be_read_is_reported_by_critical_warning(rule: Rule) -> None:
    names = ("healthy", "pending_sectors", "reallocated_sectors", "uncorrectable_sectors", "interface_errors")
    assert judge(rule, last_self_test=DENIED, **dict.fromkeys(names, DENIED)) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_drive_that_sleeps_is_not_judged(rule: Rule) -> None:
    assert judge(rule, asleep=True, pending_sectors=8, interface_errors=90) == []


@pytest.mark.parametrize("hop", ["phy-0/phy-12", "scsi-0.4", "usb-1.2/lun-1"])
def test_drive_behind_an_expander_or_another_unit_is_in_its_declared_position(hop: str) -> None:
    path = f"0000:00/17.0/{hop}"
    build = declare(
        f'[[position]]\nlabel = "bay-9"\npath = "{path}"\noccupant = {{ kind = "sata", serial = "GSsda" }}\n'
    )
    box = Box().with_device("0000:00/17.0", class_code=SATA)
    (empty,) = judge_all(Pass.of(build, box.snapshot()))
    assert (empty.rule, empty.position) == ("position-empty", "bay-9")
    (finding,) = judge_all(Pass.of(build, box.with_sata_drive(path, pending_sectors=3).snapshot()))
    assert (finding.rule, finding.position) == ("sectors-failing", "bay-9")
