"""reading-incomplete: what is missing as a whole is said once."""

import pytest

from boxes.snapshot_box import Box, declare, kelp_box
from laneproof.findings import Kind
from laneproof.past.past import Past
from laneproof.rules import judge_all
from laneproof.rules.readings.reading_incomplete import READING_INCOMPLETE
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import GROUPS
from laneproof_collectors.unread import Reason, Unread
from support.rule_examples import check_examples, example, make_pass

UNREAD = Unread("/sys/somewhere", "permission denied")

EVERYTHING = """
[firmware]
board = "Mole 3"
[kernel]
aspm_policy = "performance"
[memory]
modules = 2
[[array]]
name = "md0"
[[bond]]
name = "bond0"
members = ["wan0"]
member_speed_mbit_s = 1000
"""


@pytest.mark.parametrize("group", sorted(GROUPS))
def test_each_group_is_known_and_said_once_without_a_build(group: str) -> None:
    snapshot = kelp_box().with_group(**{group: UNREAD}).snapshot()
    (finding,) = judge_all(Pass.of(None, snapshot))
    assert (finding.rule, finding.kind, finding.key) == ("reading-incomplete", Kind.UNVERIFIED, group)


@pytest.mark.parametrize("group", ["power", "firmware", "memory", "arrays", "bonds", "interfaces"])
def test_group_that_a_declared_comparison_needs_is_reported_by_its_rule(group: str) -> None:
    current = make_pass(EVERYTHING, kelp_box().with_group(**{group: UNREAD}))
    assert list(READING_INCOMPLETE.judge(current)) == []
    assert [finding.kind for finding in judge_all(current)].count(Kind.UNVERIFIED) == 1


@pytest.mark.parametrize("group", sorted(GROUPS))
def test_source_that_this_machine_does_not_have_leaves_nothing_to_judge(group: str) -> None:
    absent = Unread("/proc/mounts", "there is no such file", Reason.ABSENT)
    findings = judge_all(Pass.of(None, kelp_box().with_group(**{group: absent}).snapshot()))
    assert bool(findings) == (group in ("functions", "controllers"))


def test_absent_source_of_declared_sata_drives_is_said() -> None:
    absent = Unread("smartctl", "there is no such file", Reason.ABSENT)
    build = declare('[[position]]\nlabel = "bay"\npath = "0000:00/17.0/ata-1"\noccupant = { kind = "sata" }')
    findings = judge_all(Pass.of(build, kelp_box(0).with_group(drives=absent).snapshot()))
    assert [finding.key for finding in findings] == ["drives"]


def test_whole_machine_unread_is_no_flood() -> None:
    box = kelp_box(24)
    text = "".join(
        f'[[position]]\nlabel = "p{number}"\npath = "0000:00/{1 + number // 7:02x}.{1 + number % 7}"\n'
        'occupant = { kind = "nvme", serial = "A" }\nlink = { generation = 4, lanes = 4 }\n'
        for number in range(24)
    )
    findings = judge_all(Pass.of(declare(text), box.with_group(**dict.fromkeys(GROUPS, UNREAD)).snapshot()))
    assert len(findings) == len(GROUPS)
    assert {finding.kind for finding in findings} == {Kind.UNVERIFIED}


def test_examples() -> None:
    check_examples(
        READING_INCOMPLETE,
        None,
        example(Box()),
        example(
            Box().with_group(functions=Unread("/sys/bus/pci/devices", "permission denied", Reason.DENIED)),
            "notice PCI functions | Run the audit as",
        ),
        example(
            Box(),
            "notice the kernel log | Run the audit as",
            past=Past(unread_logs={"kernel-log": Unread("the kernel log", "not permitted (EPERM)", Reason.DENIED)}),
        ),
    )
