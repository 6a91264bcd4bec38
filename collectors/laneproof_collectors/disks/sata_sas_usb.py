"""SATA, SAS and USB drives: where they hang, who they are, how they are.

Rules of this module:
- A sleeping drive is left asleep. The kernel's own word for it (runtime status) is looked at before anything that opens
  the disk; a drive that went to standby by itself is found out by smartctl, which then leaves it alone too.
- The identity of a sleeping drive is what was read while it was awake, or the pages that the kernel kept when it found
  the drive; nothing of this asks the drive.
- A pass costs each awake drive one run of smartctl: some tens of commands and some milliseconds of processor time. It
  keeps a drive that was about to sleep awake, so a pass should come far less often than a drive's standby time.

What it does not do: it reads no output of smartctl (``smart.py``).

Source: Documentation/ABI/testing/sysfs-devices-power; kernel drivers/scsi/scsi_sysfs.c (``vpd_pg80``, ``vpd_pg89``).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

from laneproof_collectors.disks.block import parse_size
from laneproof_collectors.disks.smart import DriveReport, is_asleep, parse_drive
from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.pcie.path import is_address, parse_function_path
from laneproof_collectors.platform_path import find_platform_path
from laneproof_collectors.questions import Question, ReadFile, Smartctl
from laneproof_collectors.snapshot import ASLEEP, SataDrive
from laneproof_collectors.sysfs_attributes import is_absent, parse_switch, parse_text, read_each
from laneproof_collectors.unread import Reason, Unread

BLOCK_FOLDER = "/sys/block"
_DISK = re.compile(r"sd[a-z]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveIdentity:
    """Who a drive is: what does not change while it stays."""

    model: str | None = None
    serial: str | None = None
    firmware: str | None = None


@dataclass(slots=True)
class DriveCache:
    """The identities of drives that were awake once, by disk name and the kernel's world-wide name (or folder)."""

    identities: dict[tuple[str, str], DriveIdentity] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _Disk:
    """One disk while it is read."""

    name: str
    path: str  # canonical: .../ata3/host2/target2:0:0/2:0:0:0/block/sda
    device: str  # the folder of the SCSI device, two above
    size: bytes | Unread
    key: tuple[str, str]
    wwid: str | None
    removable: bool
    sleeps: str | None  # the kernel's word for it
    position: str | None = None
    interface: str = "scsi"
    report: DriveReport | Unread | None = None
    asleep: bool = False
    identity: DriveIdentity = field(default_factory=DriveIdentity)


def read_drives(host: Host, cache: DriveCache | None = None) -> tuple[SataDrive, ...] | Unread:
    """Read every SATA, SAS and USB drive; without a cache, one that sleeps may stay without a name.

    Returns:
        The drives by name, none where there are no such disks; or why they could not be listed.
    """
    cache = cache if cache is not None else DriveCache()
    names = host.folder(BLOCK_FOLDER)
    if isinstance(names, Unread):
        return () if is_absent(names) and not isinstance(host.folder("/sys"), Unread) else names
    disks = _read_disks(host, sorted(filter(_DISK.fullmatch, names), key=lambda name: (len(name), name)))
    for disk in disks:
        disk.position, disk.interface = _locate(host, disk.path)
    _ask_smartctl(host, [disk for disk in disks if not disk.sleeps])
    _identify(host, disks, cache)
    return tuple(_drive(disk) for disk in disks)


def _read_disks(host: Host, names: Sequence[str]) -> list[_Disk]:
    """Read what the kernel itself says of each disk, leaving out card readers that hold no card."""
    found = []
    for name, target in zip(names, host.links(f"{BLOCK_FOLDER}/{name}" for name in names), strict=True):
        link = f"{BLOCK_FOLDER}/{name}"
        path = link if isinstance(target, Unread) else resolve_link(link, target)
        device, _, below = path.rpartition("/block/")
        found.append((name, path, device if below == name and path != link else f"{path}/device"))
    answers = host.ask_groups(_questions(path, device) for _, path, device in found)
    disks = [_parse_disk(*folders, raws) for folders, raws in zip(found, answers, strict=True)]
    return [disk for disk in disks if not (disk.removable and parse_size(disk.size, what=disk.name) == 0)]


def _questions(path: str, device: str) -> list[Question]:
    files = [f"{path}/size", f"{path}/removable", f"{device}/wwid", f"{device}/power/runtime_status"]
    if function := _controller(path):
        files += [f"{function}/power/runtime_status", f"{function}/power_state"]
    return [ReadFile(file) for file in files]


def _parse_disk(name: str, path: str, device: str, answers: Sequence[bytes | Unread]) -> _Disk:
    size, removable, wwid, *power = answers
    identifier = parse_text(wwid)
    return _Disk(
        name=name,
        path=path,
        device=device,
        size=size,
        key=(name, path if isinstance(identifier, Unread) else identifier),
        wwid=None if isinstance(identifier, Unread) else identifier or None,
        removable=parse_switch(removable, what=name) is True,
        sleeps=next((str(word) for raw in power if (word := parse_text(raw)) in ASLEEP), None),
    )


# --- the path ---------------------------------------------------------------------------------------------------------

_ATA = re.compile(r"ata(\d+)")
_USB = re.compile(r"\d+-(\d+(?:\.\d+)*)")  # the bus number before the hyphen moves, the ports after it do not
_SAS_PORT = re.compile(r"port-\d+:(.+)")
_PHY = re.compile(r"phy-\d+(?::\d+)*:(\d+)")
_SCSI = re.compile(r"\d+:(\d+):(\d+):(\d+)")  # host, channel, target, logical unit


def _controller(path: str) -> str | None:
    """Find the folder of the PCI function that a disk hangs on: the last one above it."""
    parts = path.split("/")
    last = next((number for number in range(len(parts) - 1, 0, -1) if is_address(parts[number])), None)
    return "/".join(parts[: last + 1]) if last else None


def _locate(host: Host, path: str) -> tuple[str | None, str]:
    """Work out a disk's position and how it is attached.

    Args:
        host: The machine; asked only which phys a SAS port has.
        path: The disk's canonical folder in sysfs.

    Returns:
        The position (the controller's path and the disk's own hop), ``None`` where nothing above it has a name that
        stays; and ``sata``, ``sas``, ``usb`` or ``scsi``.
    """
    function = _controller(path)
    below = path[len(function) :].split("/") if function else path.split("/")
    hop, interface = _own_hop(host, below, function or "")
    if function is None:
        platform = find_platform_path(path)
        return (f"{platform}/{hop}" if platform else None), interface
    above = parse_function_path(function, function.rpartition("/")[2])
    return "/".join((above.root, *above.hops, hop)), interface


def _own_hop(host: Host, parts: Sequence[str], above: str) -> tuple[str, str]:
    """Name the way from a controller to a disk, from the folders between them."""
    channel, target, unit = next(
        (match.groups() for part in parts if (match := _SCSI.fullmatch(part))), ("0", "0", "0")
    )
    lun = "" if unit == "0" else f"/lun-{unit}"
    if ports := [match[1] for part in parts if (match := _USB.fullmatch(part))]:
        return f"usb-{ports[-1]}{lun}", "usb"
    if numbers := [match[1] for part in parts if (match := _ATA.fullmatch(part))]:
        # Behind a port multiplier the channel is its port; a second drive on an old cable is target 1.
        branch = next((f".{number}" for number in (channel, target) if number != "0"), "")
        return f"ata-{numbers[-1]}{branch}{lun}", "sata"
    phys = [
        _lowest_phy(host, f"{above}{'/'.join(parts[: number + 1])}", match[1])
        for number, part in enumerate(parts)
        if (match := _SAS_PORT.fullmatch(part))
    ]
    if phys:
        return "/".join(phys) + lun, "sas"
    return f"scsi-{channel}.{target}{lun}", "scsi"


def _lowest_phy(host: Host, port: str, number: str) -> str:
    """Name a SAS port by its lowest phy: phys are printed on the card, ports are numbered as they come up.

    Source: kernel drivers/scsi/scsi_transport_sas.c, ``sas_phy_alloc`` (``phy-%d:%d`` and ``phy-%d:%d:%d``).
    """
    names = host.folder(port)
    phys = [] if isinstance(names, Unread) else [name for name in names if _PHY.fullmatch(name)]
    if not phys:
        return f"port-{number.rpartition(':')[2]}"
    host.links(f"{port}/{name}" for name in phys)  # so that a recording holds them too
    return f"phy-{min(int(name.rpartition(':')[2]) for name in phys)}"


# --- what the drive reports -------------------------------------------------------------------------------------------


def _ask_smartctl(host: Host, disks: Sequence[_Disk]) -> None:
    for disk, answer in zip(disks, host.ask([Smartctl(disk.name) for disk in disks]), strict=True):
        if isinstance(answer, dict) and is_asleep(answer):
            disk.asleep = True
            continue
        report = parse_drive(answer, device=disk.name) if isinstance(answer, dict) else cast("Unread", answer)
        disk.report = _advise(report) if isinstance(report, Unread) else report


_ADVICE = {Reason.ABSENT: "install smartmontools", Reason.DENIED: "run laneproof as root"}


def _advise(unread: Unread) -> Unread:
    """Add what to do to a reading that failed for want of a program or a right."""
    advice = _ADVICE.get(unread.reason)
    return replace(unread, why=f"{unread.why}; {advice}") if advice else unread


def _identify(host: Host, disks: Sequence[_Disk], cache: DriveCache) -> None:
    """Find out who each drive is: by its report, by memory, by the pages that the kernel kept."""
    strangers = []
    for disk in disks:
        report = disk.report
        if isinstance(report, DriveReport) and report.model and report.serial:
            cache.identities[disk.key] = DriveIdentity(
                model=report.model, serial=report.serial, firmware=report.firmware
            )
        if disk.key in cache.identities:
            disk.identity = cache.identities[disk.key]
        else:
            strangers.append(disk)
    for key in cache.identities.keys() - {disk.key for disk in disks}:
        del cache.identities[key]
    pages = read_each(host, (disk.device for disk in strangers), ("vpd_pg80", "vpd_pg89", "model", "rev"))
    for disk, raw in zip(strangers, pages, strict=True):
        disk.identity = parse_kept_identity(
            raw["vpd_pg80"], raw["vpd_pg89"], model=parse_text(raw["model"]), revision=parse_text(raw["rev"])
        )


_PAGE_HEADER_BYTES = 4  # peripheral, page code, length of what follows
_SERIAL_PAGE, _ATA_PAGE = 0x80, 0x89
_IDENTIFY_OFFSET = 60  # IDENTIFY DEVICE data within the ATA Information page
_SERIAL_WORDS, _FIRMWARE_WORDS, _MODEL_WORDS = (10, 20), (23, 27), (27, 47)


def parse_kept_identity(
    serial_page: bytes | Unread, ata_page: bytes | Unread, *, model: str | Unread, revision: str | Unread
) -> DriveIdentity:
    """Read a drive's identity off the pages that the kernel kept when it found the drive.

    Args:
        serial_page: ``vpd_pg80``, Unit Serial Number.
        ata_page: ``vpd_pg89``, ATA Information, which SATA drives have: the full names.
        model: The product of the drive's INQUIRY data, cut to 16 characters for SATA drives.
        revision: Its revision, cut to 4 characters.

    Returns:
        What the pages say; ``None`` in all that they do not.

    Source: SPC-4 (page 80h), SAT-3 (page 89h), ACS-3 (IDENTIFY DEVICE words 10-19, 23-26 and 27-46, in each the first
    character in the upper byte): all from memory; kernel drivers/ata/libata-scsi.c fills the pages so.
    """
    if isinstance(ata_page, bytes) and len(ata_page) >= _IDENTIFY_OFFSET + 512 and ata_page[1] == _ATA_PAGE:
        words = ata_page[_IDENTIFY_OFFSET:]
        return DriveIdentity(
            model=_swapped(words, *_MODEL_WORDS),
            serial=_swapped(words, *_SERIAL_WORDS),
            firmware=_swapped(words, *_FIRMWARE_WORDS),
        )
    serial = None
    if isinstance(serial_page, bytes) and serial_page[1:2] == bytes([_SERIAL_PAGE]):
        serial = serial_page[_PAGE_HEADER_BYTES:].decode("ascii", "replace").strip(" \0") or None
    return DriveIdentity(
        model=model or None if isinstance(model, str) else None,
        serial=serial,
        firmware=revision or None if isinstance(revision, str) else None,
    )


def _swapped(words: bytes, first: int, end: int) -> str | None:
    swapped = bytearray(words[2 * first : 2 * end])
    swapped[::2], swapped[1::2] = swapped[1::2], swapped[::2]
    return swapped.decode("ascii", "replace").strip(" \0") or None


# --- put together -----------------------------------------------------------------------------------------------------

_ATTRIBUTE_FIELDS = ("reallocated_sectors", "pending_sectors", "uncorrectable_sectors", "interface_errors")


def _drive(disk: _Disk) -> SataDrive:
    report = disk.report if isinstance(disk.report, DriveReport) else None
    missing = Unread(f"smartctl of {disk.name}", "it does not report it") if report else _why_not(disk)
    size, who = parse_size(disk.size, what=f"{disk.path}/size"), disk.identity
    return SataDrive(
        name=disk.name,
        path=disk.position,
        model=missing if who.model is None else who.model,
        serial=missing if who.serial is None else who.serial,
        firmware=missing if who.firmware is None else who.firmware,
        capacity_bytes=report.capacity_bytes if isinstance(size, Unread) and report and report.capacity_bytes else size,
        asleep=disk.asleep or disk.sleeps is not None,
        interface=_interface(disk, report),
        wwid=disk.wwid,
        **_health(report, missing),
    )


def _why_not(disk: _Disk) -> Unread:
    """Say why nothing is known from the drive itself."""
    if isinstance(disk.report, Unread):
        return disk.report
    how = f"it sleeps ({disk.sleeps})" if disk.sleeps else "it is in standby"
    return Unread(f"what {disk.name} itself reports", f"{how} and is not woken by a reading", Reason.NOT_ASKED)


def _health(report: DriveReport | None, missing: Unread) -> dict[str, Any]:
    """Give the fields of a drive's health by name. A drive that keeps no record has none, which is not a failure."""
    names = ("healthy", "temperature_celsius", "power_on_hours", *_ATTRIBUTE_FIELDS, "last_self_test")
    if report is None:
        return dict.fromkeys(names, missing)
    fields = {name: getattr(report, name) for name in (*names, "recommended_celsius", "most_celsius")}
    if report.supports_health and report.healthy is None:
        fields["healthy"] = missing
    if report.supports_health and not report.shows_attributes:
        fields |= dict.fromkeys(_ATTRIBUTE_FIELDS, missing)
    return fields


def _interface(disk: _Disk, report: DriveReport | None) -> str:
    """Say how a drive is attached; a SATA drive on a SAS controller is known by its own protocol."""
    return "sata" if disk.interface == "sas" and report and report.protocol == "ATA" else disk.interface
