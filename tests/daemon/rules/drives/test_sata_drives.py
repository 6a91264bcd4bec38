"""Which SATA and SAS drives are judged, and in which position."""

import pytest

from boxes.disk_box import DENIED, judge
from boxes.snapshot_box import SATA, Box, declare
from laneproof.rules import judge_all
from laneproof.rules.drives.interface_errors import INTERFACE_ERRORS
from laneproof.rules.drives.sectors_failing import SECTORS_FAILING
from laneproof.rules.drives.self_test_failed import SELF_TEST_FAILED
from laneproof.rules.rule import Pass, Rule

RULES = (SECTORS_FAILING, INTERFACE_ERRORS, SELF_TEST_FAILED)


SECTORS = ("pending_sectors", "reallocated_sectors", "uncorrectable_sectors")
COUNTS = (*SECTORS, "interface_errors", "last_self_test")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
@pytest.mark.parametrize(
    "facts",
    [
        pytest.param({}, id="sound"),
        pytest.param(dict.fromkeys(COUNTS), id="without such a count"),
        pytest.param(dict.fromkeys(("healthy", *COUNTS), DENIED), id="unread: critical-warning says so"),
        pytest.param({"asleep": True, "pending_sectors": 8, "interface_errors": 90}, id="asleep"),
    ],
)
def test_drive_of_which_a_rule_has_nothing_to_say(rule: Rule, facts: dict[str, object]) -> None:
    assert judge(rule, **facts) == []


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
