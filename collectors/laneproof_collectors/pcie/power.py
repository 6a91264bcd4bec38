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
from laneproof_collectors.sysfs_attributes import parse_switch, unless_absent
from laneproof_collectors.unread import Unread

POWER_ATTRIBUTES = ("power/runtime_status", "power_state", "power/control")
"""In the order in which `parse_power` takes them."""

_WORD = re.compile(rb"([A-Za-z0-9_-]{1,32})\n?")
_Word = str | Unread | None


def parse_power(
    raws: Sequence[bytes | Unread], *, folder: str, link_states: Mapping[str, bytes | Unread] | None = None
) -> FunctionPower:
    """Parse the attributes of one function, in the order of `POWER_ATTRIBUTES`, and the files of its folder ``link``.

    What is absent, the machine does not have.
    """
    status, state, control = (
        _parse_word(raw, what=f"{folder}/{name}") for raw, name in zip(raws, POWER_ATTRIBUTES, strict=True)
    )
    switches = (link_states or {}).items()
    states = tuple((name, parse_switch(raw, what=f"{folder}/link/{name}")) for name, raw in switches)
    return _share_power(status, state, control, states)


# Nearly all functions of a box rest alike: equal ones are one value.
@lru_cache(maxsize=256)
def _share_power(
    status: _Word, state: _Word, control: _Word, states: tuple[tuple[str, bool | Unread], ...]
) -> FunctionPower:
    return FunctionPower(runtime_status=status, state=state, control=control, link_states=dict(states))


def _parse_word(raw: bytes | Unread, *, what: str) -> _Word:
    if isinstance(raw, Unread):
        return unless_absent(raw)
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
