"""Settings of the kernel go with what most likely set them; words of the boot loader are no settings."""

from laneproof.box.inventory import make_inventory
from laneproof.changes import About, Change, Comparison, What, compare
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Reason, Unread
from simulated_box import Box, kelp_box


def look(before: Box, after: Box) -> Comparison:
    return compare(make_inventory(None, before.snapshot()), make_inventory(None, after.snapshot()))


def only(comparison: Comparison) -> Change:
    (one,) = comparison.changes
    return one


def policy(value: str) -> Setting:
    return Setting(value=value, origin="sysfs")


def test_setting_that_changed_alone_stands_alone() -> None:
    change = only(look(kelp_box(1), kelp_box(1).with_power(aspm_policy=policy("powersave"))))
    assert (change.what, change.about, change.subject) == (What.SETTING, About.SETTING, "aspm_policy")
    assert change.summary == "powersave, before performance"


def test_word_of_the_command_line_takes_its_setting_along() -> None:
    words = ("BOOT_IMAGE=/vmlinuz", "ro", "pcie_aspm.policy=powersave")
    change = only(look(kelp_box(1), kelp_box(1).with_power(command_line=words, aspm_policy=policy("powersave"))))
    assert change.subject == "kernel command line"
    assert change.summary == (
        "now with pcie_aspm.policy=powersave, no longer with nvme_core.default_ps_max_latency_us=0"
    )
    assert [one.subject for one in change.details] == ["aspm_policy"]


def test_error_reporting_that_was_given_up_for_a_word_is_not_blamed_on_new_firmware() -> None:
    """drivers/acpi/pci_root.c, acpi_pci_root_add: "PCIe ASPM is disabled; not requesting OS control"."""
    words = ("BOOT_IMAGE=/vmlinuz", "ro", "nvme_core.default_ps_max_latency_us=0", "pcie_aspm=off")
    before = kelp_box(1).with_power(aer_owner=Setting(value="os", origin="driver"))
    after = kelp_box(1).with_power(command_line=words, aer_owner=Setting(value="off", origin="command-line"))
    firmware, words_changed = look(before, after.with_firmware(bios_version="1.21")).changes
    assert (firmware.about, firmware.details) == (About.FIRMWARE, ())
    assert words_changed.summary == "now with pcie_aspm=off"
    assert [change.subject for change in words_changed.details] == ["error reporting (AER) is owned by"]


def test_other_words_do_not_take_a_setting_along() -> None:
    words = ("BOOT_IMAGE=/vmlinuz", "ro", "nvme_core.default_ps_max_latency_us=0", "quiet")
    after = kelp_box(1).with_power(command_line=words, aspm_policy=policy("default"))
    assert [change.subject for change in look(kelp_box(1), after).changes] == ["kernel command line", "aspm_policy"]


def test_kernel_that_the_boot_loader_names_is_no_setting() -> None:
    words = ("BOOT_IMAGE=/vmlinuz-6.13", "ro", "nvme_core.default_ps_max_latency_us=0")
    assert look(kelp_box(1), kelp_box(1).with_power(command_line=words)).changes == ()


def test_another_kernel_takes_what_it_decides_along() -> None:
    after = kelp_box(1).with_firmware(kernel_release="6.13.1").with_power(aspm_policy=policy("default"))
    change = only(look(kelp_box(1), after))
    assert (change.what, change.about) == (What.CHANGED, About.KERNEL)
    assert change.summary == "release 6.13.1, before 6.12.9-station"
    assert [one.subject for one in change.details] == ["aspm_policy"]


def test_setting_that_could_not_be_read_is_a_gap_and_no_change() -> None:
    gap = Unread("/sys/module/pcie_aspm/parameters/policy", "denied", Reason.DENIED)
    comparison = look(kelp_box(1), kelp_box(1).with_power(aspm_policy=gap))
    assert comparison.changes == ()
    (one,) = comparison.gaps
    assert (one.part, one.one_sided) == ("settings.aspm_policy", True)


def test_another_board_is_reported() -> None:
    changes = look(kelp_box(1), kelp_box(1).with_firmware(board_name="Mole 4")).changes
    assert [(change.what, change.subject, change.summary) for change in changes] == [
        (What.REPLACED, "board", "Mole 4, before Mole 3")
    ]


def test_firmware_that_does_not_give_its_version_is_no_other_firmware() -> None:
    assert look(kelp_box(1), kelp_box(1).with_firmware(bios_version=None, bios_date=None)).changes == ()
