"""Settings of the kernel go with what most likely set them; words of the boot loader are no settings."""

from typing import Any

import pytest

from boxes.compared_boxes import compare_boxes, only_change
from boxes.snapshot_box import Box, kelp_box
from laneproof.changes import Topic
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Reason, Unread

WORDS = ("BOOT_IMAGE=/vmlinuz", "ro", "nvme_core.default_ps_max_latency_us=0")
GAP = Unread("/sys/module/pcie_aspm/parameters/policy", "denied", Reason.DENIED)


def box(policy: str = "performance", *, words: tuple[str, ...] = WORDS, **firmware: Any) -> Box:
    setting = Setting(value=policy, origin="sysfs")
    return kelp_box(1).with_power(command_line=words, aspm_policy=setting).with_firmware(**firmware)


def reporting(owner: str, origin: str, words: tuple[str, ...] = WORDS) -> Box:
    return box(words=words).with_power(aer_owner=Setting(value=owner, origin=origin))


@pytest.mark.parametrize(
    ("before", "after", "changes"),
    [
        (box(), box("powersave"), [(Topic.SETTING, "aspm_policy", "powersave, before performance", [])]),
        (
            box(), box("powersave", words=("BOOT_IMAGE=/vmlinuz", "ro", "pcie_aspm.policy=powersave")),
            [(Topic.SETTING, "kernel command line",
              "now with pcie_aspm.policy=powersave, no longer with nvme_core.default_ps_max_latency_us=0",
              ["aspm_policy"])],
        ),
        (  # other words do not take it along
            box(), box("default", words=(*WORDS, "quiet")),
            [(Topic.SETTING, "kernel command line", "now with quiet", []),
             (Topic.SETTING, "aspm_policy", "default, before performance", [])],
        ),
        # drivers/acpi/pci_root.c, acpi_pci_root_add: "PCIe ASPM is disabled; not requesting OS control"
        (
            reporting("os", "driver"),
            reporting("off", "command-line", (*WORDS, "pcie_aspm=off")).with_firmware(bios_version="1.21"),
            [(Topic.FIRMWARE, "board firmware", "version 1.21 of 03/14/2026, before 1.40 of 03/14/2026", []),
             (Topic.SETTING, "kernel command line", "now with pcie_aspm=off", ["error reporting (AER) is owned by"])],
        ),
        (
            box(), box(words=(*WORDS[:2], "pcie_port_pm=off")).with_power(
                nvme_max_latency_us=Setting(value="100000", origin="default"),
                port_power_management=Setting(value="off", origin="command-line"),
            ),
            [(Topic.SETTING, "kernel command line",
              "now with pcie_port_pm=off, no longer with nvme_core.default_ps_max_latency_us=0",
              ["nvme_default_ps_max_latency_us", "power management of ports"])],
        ),
        (box(), box(words=("BOOT_IMAGE=/vmlinuz-6.13", *WORDS[1:])), []),
        (
            box(), box("default", kernel_release="6.13.1"),
            [(Topic.KERNEL, "kernel", "release 6.13.1, before 6.12.9-station", ["aspm_policy"])],
        ),
        (box(), box(board_name="Mole 4"), [(Topic.FIRMWARE, "board", "Mole 4, before Mole 3", [])]),
        (box(), box().with_power(command_line=GAP), []),
        (box().with_power(command_line=GAP), box(), []),
        (box(), box().with_group(power=GAP), []),
        (box().with_group(power=GAP), box(), []),
        (box(), box(bios_version=None, bios_date=None), []),  # what gives no version is no other firmware
        (box(), box(bios_date=None, bios_version="1.41"),
         [(Topic.FIRMWARE, "board firmware", "version 1.41, before 1.40 of 03/14/2026", [])]),
    ],
)  # fmt: skip
def test_a_setting_goes_with_what_most_likely_set_it(
    before: Box, after: Box, changes: list[tuple[Topic, str, str, list[str]]]
) -> None:
    assert [
        (change.about, change.subject, change.summary, [detail.subject for detail in change.details])
        for change in compare_boxes(before, after).changes
    ] == changes


def test_words_that_came_and_went_are_its_two_values() -> None:
    more = box(words=(*WORDS, "quiet"))
    values = [(change.before, change.after) for change in (only_change(box(), more), only_change(more, box()))]
    assert values == [(None, "quiet"), ("quiet", None)]


def test_setting_that_could_not_be_read_is_a_gap_and_no_change() -> None:
    comparison = compare_boxes(kelp_box(1), kelp_box(1).with_power(aspm_policy=GAP))
    assert comparison.changes == ()
    assert [(unknown.part, unknown.one_sided) for unknown in comparison.gaps] == [("settings.aspm_policy", True)]
