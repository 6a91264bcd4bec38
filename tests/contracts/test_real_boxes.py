"""Machines that somebody really runs, rebuilt from published listings: what is said of them before and after a draft.

The recordings lie outside the repository, in the folder ``real-boxes`` of the samples; their README names the sources
and has the table that stands here.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from contracts.hand_made import JsonObject, inside

Check = Callable[[JsonObject], bool]


def holds(audit: JsonObject) -> bool:
    """No finding; without a declaration the verdict may say that nothing was declared."""
    return audit["findings"] == []


def does_not_differ(audit: JsonObject) -> bool:
    return audit["verdict"] != "differs"


def has_at_most_one_finding(audit: JsonObject) -> bool:
    return len(audit["findings"]) <= 1


def differs(audit: JsonObject) -> bool:
    return audit["verdict"] == "differs"


def is_critical(audit: JsonObject) -> bool:
    return any(finding["severity"] == "critical" for finding in audit["findings"])


def says_once_that_errors_are_not_counted(audit: JsonObject) -> bool:
    return [finding["rule"] for finding in audit["findings"]].count("errors-not-counted") <= 1


def reads_the_rest_of_the_log(audit: JsonObject) -> bool:
    return {finding["rule"] for finding in audit["findings"]} <= {"spare-low", "endurance-ending"}


def says_wear_and_no_media_error(audit: JsonObject) -> bool:
    rules = {finding["rule"] for finding in audit["findings"]}
    causes = {finding["causes"][0]["cause"] for finding in audit["findings"] if finding["causes"]}
    return "media-errors-rising" not in rules and "drive-failing" not in causes


BEFORE: dict[str, tuple[Check, ...]] = {
    "desktop-chipset-uplink": (holds,),
    "desktop-two-nvme": (holds,),
    "desktop-resting-graphics": (does_not_differ,),
    "laptop-config-space": (has_at_most_one_finding,),
    "laptop-raid-mode": (does_not_differ, has_at_most_one_finding),
    "laptop-vmd": (holds,),
    "server-twelve-nvme": (does_not_differ,),
    "arm-server-switch": (does_not_differ,),
    "arm-board-graphics": (does_not_differ,),
    "riscv-board-nvme": (holds,),
    "hot-plug-chassis": (holds,),
    "mini-with-external-enclosure": (has_at_most_one_finding,),
    "power-server-dual-port": (holds,),
    "platform-nvme": (holds,),
    "platform-nvme-failing": (differs, is_critical),
    "platform-sata-and-usb": (differs, is_critical),
    "firmware-raid-containers": (does_not_differ,),
    "odd-byte": (does_not_differ, reads_the_rest_of_the_log),
    "odd-byte-warning": (differs, is_critical),
    "spare-threshold-99": (holds,),
    "used-100": (differs, says_wear_and_no_media_error),
}
"""What an audit without a declaration says."""

AFTER: dict[str, tuple[Check, ...]] = {
    "desktop-chipset-uplink": (holds,),
    "desktop-two-nvme": (holds,),
    "desktop-resting-graphics": (holds,),
    "laptop-config-space": (holds,),
    "laptop-raid-mode": (does_not_differ,),
    "laptop-vmd": (holds,),
    "server-twelve-nvme": (does_not_differ, says_once_that_errors_are_not_counted),
    "arm-server-switch": (holds,),
    "arm-board-graphics": (holds,),
    "riscv-board-nvme": (holds,),
    "hot-plug-chassis": (holds,),
    "mini-with-external-enclosure": (holds,),
    "power-server-dual-port": (holds,),
    "platform-nvme": (holds,),
    "platform-nvme-failing": (differs,),
    "platform-sata-and-usb": (differs,),
    "firmware-raid-containers": (does_not_differ,),
    "spare-threshold-99": (holds,),
}
"""What an audit against the machine's own draft says."""


def audit(reference: Path, name: str, *more: object) -> JsonObject:
    return inside("audit", "--json", "--from", reference / "real-boxes" / f"{name}.jsonl.gz", *more).json()


def audit_after_draft(reference: Path, name: str, folder: Path) -> tuple[JsonObject, str]:
    build = folder / "build.toml"
    ended = inside("draft", "-o", build, "--from", reference / "real-boxes" / f"{name}.jsonl.gz")
    assert ended.status == 0, ended.err
    return audit(reference, name, "--build", build), build.read_text()


def fails(checks: tuple[Check, ...], said: JsonObject) -> list[str]:
    return [check.__name__ for check in checks if not check(said)]


@pytest.mark.parametrize("name", BEFORE)
def test_what_an_audit_says_without_a_declaration(reference: Path, name: str) -> None:
    said = audit(reference, name)
    assert fails(BEFORE[name], said) == [], said["findings"]


@pytest.mark.parametrize("name", AFTER)
def test_what_an_audit_says_right_after_a_draft(reference: Path, tmp_path: Path, name: str) -> None:
    said, _ = audit_after_draft(reference, name, tmp_path)
    assert fails(AFTER[name], said) == [], said["findings"]


def test_a_drive_with_two_ports_is_one_drive(reference: Path, tmp_path: Path) -> None:
    _, text = audit_after_draft(reference, "power-server-dual-port", tmp_path)
    assert text.count('serial = "S6RTNE0R900057"') == 1
    assert "the same drive is reached by" in text


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("platform-nvme", "platform/27bcc0000.nvme"),
        ("platform-sata-and-usb", "platform/fc800000.sata/ata-1"),
        ("platform-sata-and-usb", "platform/fc000000.usb/usb-1"),
    ],
)
def test_a_drive_on_a_controller_of_the_board_has_a_path_and_is_found(
    reference: Path, tmp_path: Path, name: str, path: str
) -> None:
    _, text = audit_after_draft(reference, name, tmp_path)
    assert f'path = "{path}"' in text
    found = inside("where", path, "--json", "--from", reference / "real-boxes" / f"{name}.jsonl.gz")
    assert found.status == 0, found.err
    assert path in found.out
