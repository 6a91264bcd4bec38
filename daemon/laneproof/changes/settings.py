"""Board, firmware, kernel and its power settings; which of them go with which event.

Rules of this module: a setting that the kernel's command line names goes with a change of the command line; else with
another kernel; else with another firmware of the board. That is what most likely set it, in this order, and the text
says "with it", not "because of it".
"""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.changes.change import Change, Outcome, Pair, Topic, describe_difference

_NOT_A_SETTING = ("BOOT_IMAGE=", "initrd=")  # words of the boot loader that change with each kernel
_BY_WORD = {
    "aspm_policy": ("pcie_aspm",),
    "nvme_default_ps_max_latency_us": ("nvme_core.default_ps_max_latency_us",),
    "port_power_management": ("pcie_port_pm",),
    "error_reporting": ("pci=", "pcie_ports", "pcie_aspm=off"),
}
"""Words of the command line that decide a setting.

Source: Documentation/admin-guide/kernel-parameters.txt; drivers/acpi/pci_root.c: with ``pcie_aspm=off`` the kernel asks
the firmware for no control of the root bridge, and so neither reports errors (AER) nor minds native hot plug.
"""

_TITLES = {"port_power_management": "power management of ports", "error_reporting": "error reporting (AER) is owned by"}


def compare_firmware(pair: Pair) -> Change | None:
    """Give the change to another version of the board's firmware."""
    old, new = pair.before.firmware, pair.after.firmware
    if old is None or new is None or pair.same_firmware:
        return None
    texts = _version(old.bios_version, old.bios_date), _version(new.bios_version, new.bios_date)
    return describe_difference(Outcome.REFLASHED, Topic.FIRMWARE, "board firmware", *texts, form="version {}")


def _version(version: str | None, date: str | None) -> str:
    return f"{version or 'unknown'}{f' of {date}' if date else ''}"


def compare_board(pair: Pair) -> Iterator[Change]:
    """Give the change to another board under the same drives."""
    old, new = pair.before.firmware, pair.after.firmware
    if old and new and old.board and new.board and old.board != new.board:
        yield describe_difference(Outcome.REPLACED, Topic.FIRMWARE, "board", old.board, new.board)


def compare_kernel(pair: Pair) -> Change | None:
    """Give the change to another kernel."""
    old, new = pair.before.firmware, pair.after.firmware
    if old is None or new is None or not old.kernel or not new.kernel or old.kernel == new.kernel:
        return None
    return describe_difference(Outcome.CHANGED, Topic.KERNEL, "kernel", old.kernel, new.kernel, form="release {}")


def compare_settings(pair: Pair) -> tuple[tuple[Change, ...], tuple[Change, ...]]:
    """Compare the kernel's settings.

    Returns:
        The command line's change, with the settings that it names below it (none or one); and the other settings.
    """
    old, new = pair.before.settings, pair.after.settings
    if old is None or new is None:
        return (), ()
    words = _compare_words(old.command_line, new.command_line)
    named: list[Change] = []
    others: list[Change] = []
    for name, deciding in _BY_WORD.items():
        before, after = getattr(old, name), getattr(new, name)
        if before is None or after is None or before == after:
            continue
        change = describe_difference(Outcome.SETTING, Topic.SETTING, _TITLES.get(name, name), before, after)
        (named if any(word.startswith(deciding) for word in words) else others).append(change)
    if not words:
        return (), tuple(others)
    return (replace(_describe_words(words), details=tuple(named)),), tuple(others)


def _compare_words(old: tuple[str, ...] | None, new: tuple[str, ...] | None) -> dict[str, bool]:
    """Give each word that came (true) or went (false)."""
    if old is None or new is None:
        return {}
    words = {word: False for word in old if word not in new} | {word: True for word in new if word not in old}
    return {word: came for word, came in words.items() if not word.startswith(_NOT_A_SETTING)}


def _describe_words(words: dict[str, bool]) -> Change:
    gone = " ".join(word for word, came in words.items() if not came)
    new = " ".join(word for word, came in words.items() if came)
    summary = ", ".join([*([f"now with {new}"] if new else []), *([f"no longer with {gone}"] if gone else [])])
    return Change(Outcome.SETTING, Topic.SETTING, "kernel command line", summary, gone or None, new or None)
