"""Power management of one PCI function, from its sysfs attributes, and whether a reading would wake it.

None of these attributes wakes a function: the kernel answers from its own memory. What may wake one is any reading of
its configuration space, link attributes included, since the kernel first resumes the port above it.

Source: Linux Documentation/ABI/testing/sysfs-devices-power and sysfs-bus-pci; drivers/pci/pci.c,
``pci_config_pm_runtime_get``; drivers/pci/pcie/aspm.c for the folder ``link`` (that it asks no register: from memory).
"""

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache

from laneproof_collectors.snapshot import FunctionPower
from laneproof_collectors.sysfs_attributes import parse_switch
from laneproof_collectors.unread import Reason, Unread

POWER_ATTRIBUTES = ("power/runtime_status", "power_state", "power/control")
"""In the order in which `parse_power` takes them."""

_WORD = re.compile(rb"([A-Za-z0-9_-]{1,32})\n?")
_Raw = bytes | Unread | None


def parse_power(
    raws: Sequence[bytes | Unread], *, folder: str, link_states: Mapping[str, bytes | Unread] | None = None
) -> FunctionPower:
    """Parse the attributes of one function.

    Args:
        raws: What was read, in the order of `POWER_ATTRIBUTES`; what is absent, the machine does not have.
        folder: The function's folder.
        link_states: What was read in its folder ``link``, by name of the file.

    Returns:
        The function's power management.
    """
    given = tuple(None if isinstance(raw, Unread) and raw.reason is Reason.ABSENT else raw for raw in raws)
    states = tuple(link_states.items()) if link_states else ()
    return _share_power(given, states) or _parse_power(given, states, folder)


def _parse_power(given: tuple[_Raw, ...], states: tuple[tuple[str, bytes | Unread], ...], folder: str) -> FunctionPower:
    status, state, control = given
    return FunctionPower(
        runtime_status=_parse_word(status, what=f"{folder}/{POWER_ATTRIBUTES[0]}"),
        state=_parse_word(state, what=f"{folder}/{POWER_ATTRIBUTES[1]}"),
        control=_parse_word(control, what=f"{folder}/{POWER_ATTRIBUTES[2]}"),
        link_states={name: parse_switch(raw, what=f"{folder}/link/{name}") for name, raw in states},
    )


# Nearly all functions of a box rest alike. What could not be read names its own file, and is not shared.
@lru_cache(maxsize=256)
def _share_power(given: tuple[_Raw, ...], states: tuple[tuple[str, bytes | Unread], ...]) -> FunctionPower | None:
    power = _parse_power(given, states, "")
    values = (power.runtime_status, power.state, power.control, *power.link_states.values())
    return None if any(isinstance(value, Unread) for value in values) else power


def _parse_word(raw: _Raw, *, what: str) -> str | Unread | None:
    if raw is None or isinstance(raw, Unread):
        return raw
    if match := _WORD.fullmatch(raw):
        return match[1].decode("ascii")
    return Unread(what, f"not a word: {raw[:32]!r}")


def find_why_asleep(power: FunctionPower) -> str:
    """Say why a function is left alone; empty where it is awake, or belongs to a kernel without power management."""
    if power.sleeps:
        how = power.runtime_status if power.runtime_status in ("suspended", "suspending") else power.state
        return f"it sleeps ({how}), and a reading would wake it"
    if isinstance(power.runtime_status, Unread) and not isinstance(power.state, str):
        return f"whether it sleeps could not be read ({power.runtime_status.why}), and a reading could wake it"
    return ""
