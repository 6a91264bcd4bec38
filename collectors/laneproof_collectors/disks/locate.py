"""What helps a person find a drive by hand: its names under ``/dev``, and the locate LEDs that the kernel offers.

Rules of this module: it reads links and folders only. It switches no light, and it reads no light's state either: some
of these attributes wake the port that they belong to. What it does not do: decide which drive is meant.

Sources: udev's 60-persistent-storage.rules (the links); drivers/pci/npem.c (PCIe Base Specification 6.1, 6.28: LED
class devices ``ADDRESS:enclosure:locate``); drivers/misc/enclosure.c (``/sys/class/enclosure``);
drivers/pci/hotplug/pci_hotplug_core.c (``attention`` of a slot: 0 off, 1 on, 2 blinking).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.sysfs_attributes import is_absent, parse_text
from laneproof_collectors.unread import Reason, Unread, if_read

LINK_FOLDERS = ("/dev/disk/by-id", "/dev/disk/by-path")
LEDS = "/sys/class/leds"
ENCLOSURES = "/sys/class/enclosure"
SLOTS = "/sys/bus/pci/slots"

_LOCATE_LED = re.compile(r"([0-9a-f]{4,}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]):enclosure:locate")
_LINK_DEPTH = 8  # /dev/disk/by-label/x -> /dev/md/x -> /dev/md127 is two


class LedKind(StrEnum):
    """Who drives the light."""

    PORT = "port"  # PCIe native enclosure management, at the port or the drive
    ENCLOSURE = "enclosure"  # SCSI enclosure services
    SLOT = "slot"  # the attention indicator of a hot-plug slot


@dataclass(frozen=True, slots=True, kw_only=True)
class LocateLed:
    """One light that can show where a drive is.

    Attributes:
        kind: Who drives it.
        name: What it is called: the LED, the enclosure's component, the slot.
        file: Where a person writes 1 to switch it on, and 0 to switch it off.
        belongs_to: A PCI address (without function for a slot), or the canonical folder of a SCSI device in sysfs.
    """

    kind: LedKind
    name: str
    file: str
    belongs_to: str


def follow_name(host: Host, path: str) -> str | Unread:
    """Find the kernel's name that a path under ``/dev``, of a device or a link to one, stands for.

    Returns:
        The device's own name (``nvme0n1``, ``md127``, ``dm-0``), or why there is none.
    """
    target = host.link(path)
    if isinstance(target, Unread) and is_absent(target):
        return target
    for _ in range(_LINK_DEPTH):
        if isinstance(target, Unread):  # no link, but the device itself; or, in a recording, nothing more is known
            return path.rpartition("/")[2]
        path = resolve_link(path, target)
        target = host.link(path)
    return Unread(path, f"more than {_LINK_DEPTH} links in a row", Reason.MALFORMED)


def read_names(host: Host, disks: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Read the lasting names of some whole disks, given by the kernel's names.

    Returns:
        The links under ``/dev/disk/by-id`` and ``by-path`` that lead to each, as whole paths; empty where there are
        none, or where they cannot be listed.
    """
    wanted: dict[str, list[str]] = {disk: [] for disk in disks}
    for folder, names in zip(LINK_FOLDERS, host.folders(LINK_FOLDERS), strict=True):
        if isinstance(names, Unread):
            continue
        for name, target in zip(names, host.links(f"{folder}/{name}" for name in names), strict=True):
            disk = "" if isinstance(target, Unread) else target.rpartition("/")[2]
            if disk in wanted:
                wanted[disk].append(f"{folder}/{name}")
    return {disk: tuple(found) for disk, found in wanted.items()}


def read_disk_folders(host: Host, disks: Iterable[str]) -> dict[str, str]:
    """Find the canonical folders of disks in sysfs; a disk that has none is left out."""
    listed = sorted(disks)
    targets = host.links(f"/sys/block/{disk}" for disk in listed)
    return {
        disk: resolve_link(f"/sys/block/{disk}", target)
        for disk, target in zip(listed, targets, strict=True)
        if not isinstance(target, Unread)
    }


def read_locate_leds(host: Host) -> tuple[LocateLed, ...]:
    """Read which locate LEDs the kernel offers.

    Returns:
        The lights: of ports and drives, of enclosures, of hot-plug slots; none where there is nothing of that sort.
    """
    return (*_read_port_leds(host), *_read_enclosure_leds(host), *_read_slot_leds(host))


def _list(host: Host, folder: str) -> tuple[str, ...]:
    return if_read(host.folder(folder))


def _read_port_leds(host: Host) -> list[LocateLed]:
    matches = filter(None, map(_LOCATE_LED.fullmatch, _list(host, LEDS)))
    return [
        LocateLed(kind=LedKind.PORT, name=match[0], file=f"{LEDS}/{match[0]}/brightness", belongs_to=match[1])
        for match in matches
    ]


def _read_enclosure_leds(host: Host) -> list[LocateLed]:
    found = []
    enclosures = _list(host, ENCLOSURES)
    for enclosure, target in zip(enclosures, host.links(f"{ENCLOSURES}/{name}" for name in enclosures), strict=True):
        link = f"{ENCLOSURES}/{enclosure}"
        folder = link if isinstance(target, Unread) else resolve_link(link, target)
        components = [
            component for component in _list(host, folder) if "locate" in _list(host, f"{folder}/{component}")
        ]
        devices = host.links(f"{folder}/{component}/device" for component in components)
        for component, device in zip(components, devices, strict=True):
            if isinstance(device, Unread):
                continue  # an empty bay
            found.append(
                LocateLed(
                    kind=LedKind.ENCLOSURE,
                    name=f"{component} of enclosure {enclosure}",
                    file=f"{link}/{component}/locate",
                    belongs_to=resolve_link(f"{folder}/{component}/device", device),
                )
            )
    return found


def _read_slot_leds(host: Host) -> list[LocateLed]:
    names = [slot for slot in _list(host, SLOTS) if "attention" in _list(host, f"{SLOTS}/{slot}")]
    addresses = map(parse_text, host.files(f"{SLOTS}/{name}/address" for name in names))
    return [
        LocateLed(kind=LedKind.SLOT, name=f"slot {name}", file=f"{SLOTS}/{name}/attention", belongs_to=address)
        for name, address in zip(names, addresses, strict=True)
        if isinstance(address, str) and address
    ]
