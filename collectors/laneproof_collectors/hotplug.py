"""Device events of the kernel: what came, went or changed.

Rules of this module: an event is judged by its own fields; nothing is looked up on the machine, for by the time that an
event is read its device may be gone. What it does not do: decide whether a removal was meant (see the episodes).
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from laneproof_collectors.host import Host
from laneproof_collectors.kernel_log.formats import ADDRESS
from laneproof_collectors.unread import Unread


class Action(StrEnum):
    """What happened to a device (kernel lib/kobject_uevent.c, kobject_actions)."""

    ADD = "add"
    REMOVE = "remove"
    CHANGE = "change"
    MOVE = "move"
    ONLINE = "online"
    OFFLINE = "offline"
    BIND = "bind"
    UNBIND = "unbind"


_ACTIONS = {str(action): action for action in Action}

SUBSYSTEMS = frozenset({"nvme", "pci", "block", "scsi", "net"})
"""The subsystems that a storage box's faults show in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceEvent:
    """One device event.

    Attributes:
        action: What happened.
        subsystem: ``nvme``, ``pci``, ``block``, ``scsi`` or ``net``.
        devpath: The device's folder below ``/sys``.
        name: Its last component: a controller, a disk or partition, an interface, a PCI address.
        address: The PCI function that it is or hangs on; None for a device that hangs on none (an array, a bond).
        controller: The NVMe controller, where one is on the way.
    """

    action: Action
    subsystem: str
    devpath: str
    name: str
    address: str | None
    controller: str | None = None

    @property
    def arrived(self) -> bool:
        """Whether a device is there that was not there, or has a driver that had none."""
        return self.action in {Action.ADD, Action.BIND, Action.ONLINE}

    @property
    def left(self) -> bool:
        """Whether a device is gone."""
        return self.action is Action.REMOVE


_ADDRESS = re.compile(ADDRESS)
# nvme0 is a controller, nvme0n1 and nvme0c0n1 disks of it; nvme-subsys0 is neither.
_CONTROLLER = re.compile(r"(nvme\d+)(?:c\d+)?(?:n\d+(?:p\d+)?)?")


def parse_uevent(event: Mapping[str, object]) -> DeviceEvent | None:
    """Parse one device event: fields under the kernel's names (``ACTION``, ``DEVPATH``...), in small letters or not.

    Returns:
        The event; None where it concerns another subsystem, or is no event.

    Source: kernel lib/kobject_uevent.c (fields), drivers/pci/pci-driver.c, block/genhd.c, drivers/nvme/host/core.c.
    """
    devpath, subsystem = _field(event, "devpath"), _field(event, "subsystem")
    action = _ACTIONS.get(_field(event, "action"))
    if subsystem not in SUBSYSTEMS or action is None or not devpath.strip("/"):
        return None
    parts = devpath.strip("/").split("/")
    addresses = [None, *filter(_ADDRESS.fullmatch, parts)]
    controllers = [None, *(match[1] for part in parts if (match := _CONTROLLER.fullmatch(part)))]
    return DeviceEvent(
        action=action,
        subsystem=subsystem,
        devpath=devpath,
        name=parts[-1],
        address=addresses[-1],
        controller=controllers[-1],
    )


def _field(event: Mapping[str, object], name: str) -> str:
    value = event.get(name.upper()) or event.get(name) or ""
    return value if isinstance(value, str) else ""


def device_events(events: Iterable[Mapping[str, object]]) -> tuple[DeviceEvent, ...]:
    """Parse a run of device events; those of other subsystems are passed over."""
    return tuple(parsed for event in events if (parsed := parse_uevent(event)) is not None)


def read_device_events(host: Host) -> tuple[DeviceEvent, ...] | Unread:
    """Take the device events since the last reading.

    Returns:
        The events, oldest first, or why they could not be read.
    """
    answer = host.uevents()
    return answer if isinstance(answer, Unread) else device_events(answer)
