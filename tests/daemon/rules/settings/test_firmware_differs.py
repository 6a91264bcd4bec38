"""firmware-differs: board, kernel and drives."""

from typing import Any

import pytest

from boxes.occupied_box import position
from boxes.snapshot_box import kelp_box, one_drive
from laneproof.findings import Finding, Kind
from laneproof.rules.settings.firmware_differs import FIRMWARE_DIFFERS
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

UNREAD = Unread("bios_version", "permission denied")


def judge(text: str, **facts: Any) -> list[Finding]:
    return judge_box(FIRMWARE_DIFFERS, text, kelp_box(1).with_firmware(**facts))


@pytest.mark.parametrize(
    ("declared", "facts", "kind"),
    [
        ('bios_version = "1.40"', {}, None),
        ('bios_version = "1.30"', {}, Kind.DIFFERS),
        ('bios_date = "03/14/2026"', {}, None),
        ('bios_date = "01/01/2026"', {}, Kind.DIFFERS),
        ('board = "mole  3"', {}, None),
        ('board = "Mole 4"', {}, Kind.DIFFERS),
        ('bios_version = "1.40"', {"bios_version": UNREAD}, Kind.UNVERIFIED),
        ('bios_version = "1.40"', {"bios_version": None}, Kind.UNVERIFIED),
    ],
)
def test_board(declared: str, facts: dict[str, object], kind: Kind | None) -> None:
    assert [finding.kind for finding in judge(f"[firmware]\n{declared}", **facts)] == ([kind] if kind else [])


@pytest.mark.parametrize(
    ("declared", "holds"),
    [("6.12.9-station", True), ("6.12", True), ("6.12.", True), ("6.1", False), ("6.12.90", False), ("7", False)],
)
def test_kernel_release_is_whole_or_its_beginning(declared: str, holds: bool) -> None:
    assert (judge(f'[kernel]\nrelease = "{declared}"') == []) == holds


@pytest.mark.parametrize(
    ("observed", "kind"), [("2.1", None), ("2.1 ", None), ("2.2", Kind.DIFFERS), (UNREAD, Kind.UNVERIFIED)]
)
def test_drive(observed: str | Unread, kind: Kind | None) -> None:
    box = one_drive(controller={"firmware": observed})
    findings = judge_box(FIRMWARE_DIFFERS, position("a", 1, '{ firmware = "2.1" }'), box)
    assert [finding.kind for finding in findings] == ([kind] if kind else [])
    assert all(finding.position == "a" for finding in findings)


def test_each_item_has_its_own_finding() -> None:
    findings = judge('[firmware]\nbios_version = "1"\nbios_date = "2"\n[kernel]\nrelease = "3"')
    assert [finding.identity[1] for finding in findings] == ["bios_version", "bios_date", "kernel.release"]


def test_unread_as_a_whole_is_one_finding() -> None:
    text = '[firmware]\nbios_version = "1"\nbios_date = "2"'
    findings = judge_box(FIRMWARE_DIFFERS, text, kelp_box(1).with_group(firmware=UNREAD))
    assert [finding.kind for finding in findings] == [Kind.UNVERIFIED]


def test_examples() -> None:
    check_examples(
        FIRMWARE_DIFFERS,
        'firmware = { bios_version = "1.40" }\n' + position("riser-1", 1, '{ firmware = "2.1" }'),
        example(one_drive()),
        example(
            one_drive(firmware="2.2").with_firmware(bios_version="1.50"),
            "notice bios_version | If it was updated",
            "notice nvme0 | If it was updated",
        ),
    )
