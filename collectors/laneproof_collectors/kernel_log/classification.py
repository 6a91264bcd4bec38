"""What one message of the kernel log reports, and of whom.

Rule of this module: a message is judged by its own words alone. Its subject, the part before the first colon, decides
which table it is looked up in; most lines of a log end there.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from laneproof_collectors.kernel_log import aer, arrays_and_bonds, block_layer, host_bridges, nvme, pcie, scsi
from laneproof_collectors.kernel_log.formats import ADDRESS, EventKind, Format, FormatTable, find_format, match_format
from laneproof_collectors.kernel_log.records import unescape

_ALL_ONES_16, _ALL_ONES_32 = 0xFFFF, 0xFFFFFFFF
_LONGEST = 4096  # characters; well above the kernel's longest line (1 to 2 KiB, kernel/printk; from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelEvent:
    """What one kernel message reports.

    Attributes:
        kind: What happened.
        device: Who erred, by the name in the message: a PCI address, a controller, a disk, an array, a member
            interface. None where the message names nobody.
        message: The line itself.
        detail: What else it says, in the kernel's own words: ``csts``, ``pci_status``, ``qid``, ``sector``, ``slot``,
            ``bits`` (names of AER bits, separated by blanks), ``severity`` (correctable, nonfatal, fatal, inferred)...
        continues: It adds to a report that an earlier line opened.
    """

    kind: EventKind
    device: str | None
    message: str
    detail: Mapping[str, str] = field(default_factory=dict)
    continues: bool = False

    @property
    def silent(self) -> bool | None:
        """Whether the controller's registers read all ones (no answer); None where the line does not say."""
        csts = self.detail.get("csts")
        return None if csts is None else int(csts, 16) == _ALL_ONES_32

    @property
    def config_space_gone(self) -> bool | None:
        """Whether the device had left the bus: True, False (it still answered), or None where the line does not say."""
        if status := self.detail.get("pci_status"):
            return not status.startswith("0x") or int(status, 16) == _ALL_ONES_16
        return True if self.detail.get("config_space") == "gone" else None


# The part before the first ": ": who the message is about. The last named group that matched is the family.
_SUBJECT = re.compile(
    r"(?:(?P<driver>[^\s:\[\]{}()]+) )?(?:"
    rf"(?P<function>{ADDRESS})(?::pcie\w+)?(?: [^\s:]+)?"
    r"|(?P<controller>nvme\d+)"
    r"|(?P<disk>nvme\d+(?:c\d+)?n\d+(?:p\d+)?)"
    r"|(?P<scsi>\d+:\d+:\d+:\d+)"
    r"|(?P<ata>ata\d+(?:\.\d+)?)"
    r"|(?P<bridge>[\w.@:-]*pci[\w.@:-]*)"
    r"|md/(?:raid0|linear)(?P<joined>md\w+)"  # sic, no colon: drivers/md/raid0.c, md-linear.c; about 5.18 on
    r"|md(?:/\w+)?(?P<array>(?::[^\s:]+)?)"
    r"|(?P<named>[^\s:()\[\]{}]+)"
    r")"
    r"|(?P<firmware>(?:\{\d+\})?\[Hardware Error\])"
    r"|(?P<file_system>(?:EXT[234]-fs|XFS|BTRFS)\b[^:]*)"
)
_CONSOLE_PREFIX = re.compile(r"(?:<\d+>)?\[[ +]*\d+\.\d+\](?:\[ *[TC]\d+\])? +")
_MULTIPATH_DISK = re.compile(r"(nvme\d+)c\d+(n\d+.*)")


def classify(message: str) -> KernelEvent | None:
    r"""Tell what a kernel message is about.

    Args:
        message: The text after the record's ``;``, without prefix. Blanks around it, a console's time stamp before it
            and the escapes of ``/dev/kmsg`` are tolerated. Where one record holds several lines, the first that tells
            of anything counts, and the others add their detail.

    Returns:
        The event, or None where the message is harmless or none of ours.

    Source: the format strings of the kernel, named row by row in the tables.
    """
    line = message[:_LONGEST].strip()
    if "\\x" in line:
        line = unescape(line)
    if line.startswith(("[", "<")):
        line = _CONSOLE_PREFIX.sub("", line, count=1)
    if "\n" in line:
        return _classify_lines(line)
    return _classify_line(line)


def _classify_lines(text: str) -> KernelEvent | None:
    """Judge a record of several lines; a line that is indented goes on under the first one's subject."""
    first, *rest = text.split("\n")
    subject = first.partition(": ")[0]
    event = _classify_line(first)
    for line in rest:
        further = _classify_line(line.strip())
        if further is None and line[:1].isspace():
            further = _classify_line(f"{subject}: {line.strip()}")
        if event is None:
            event = further
        elif further is not None and further.kind is event.kind:
            event = replace(event, detail=join_detail(event.detail, further.detail))
    return event


def _classify_line(line: str) -> KernelEvent | None:
    head, colon, text = line.partition(": ")
    if not colon:
        return _classify_without_subject(line, line)
    if head in block_layer.BLOCK_SUBJECTS:
        return _classify_without_subject(text, line)
    if head == "bonding":
        return _classify_line(text)
    subject = _SUBJECT.fullmatch(head)
    if subject is None:
        return _classify_without_subject(line, line)
    name = subject.lastgroup or ""
    return _FAMILIES[name](subject, text.lstrip(), line)


def _match_event(table: FormatTable, text: str, line: str, device: str | None) -> KernelEvent | None:
    """Look a message up and make the event; the message's own word on who erred goes before its subject."""
    found = find_format(table, text)
    return None if found is None else _build_event(*found, line, device)


def _build_event(row: Format, kind: EventKind, detail: dict[str, str], line: str, device: str | None) -> KernelEvent:
    named = detail.pop("device", device)
    if named and named.startswith("nvme") and (part := _MULTIPATH_DISK.fullmatch(named)):
        # A hidden path of a disk that several controllers may reach: the disk is what people know.
        named = part[1] + part[2]
    return KernelEvent(kind=kind, device=named, message=line, detail=detail, continues=row.continues)


def _classify_function(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    """A PCI function: its driver's, a port service's, or the core's message."""
    address, driver = subject["function"], subject["driver"]
    if driver is None:
        return None
    event = None
    if driver == "nvme":  # kernels to 4.4 named the function where later ones name the controller
        event = _match_event(nvme.CONTROLLER_FORMATS, text, line, address)
    if service := pcie.SERVICE.match(text):
        text = text[service.end() :]
    event = event or _match_event(pcie.FUNCTION_FORMATS, text, line, address)
    if event and event.device and event.device.startswith("id="):
        number = int(event.device.removeprefix("id="), 16)
        domain = address.partition(":")[0]
        return replace(event, device=f"{domain}:{number >> 8:02x}:{number >> 3 & 0x1F:02x}.{number & 7}")
    return event


def _classify_controller(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    """``nvme nvme0`` is the driver about a controller; ``nvme0`` alone begins the status of an admin command."""
    table = nvme.CONTROLLER_FORMATS if subject["driver"] == "nvme" else None
    if table is None and subject["driver"] is None:
        return _status_event(text, line, subject["controller"])
    return None if table is None else _match_event(table, text, line, subject["controller"])


def _status_event(text: str, line: str, device: str) -> KernelEvent | None:
    found = match_format(nvme.COMMAND_STATUS, text) if "(sct " in text else None
    return None if found is None else _build_event(*found, line, device)


def _classify_disk(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    if subject["driver"] not in {None, "block"}:
        return None
    disk = subject["disk"]
    event = _match_event(nvme.DISK_FORMATS, text, line, disk) or _match_event(
        arrays_and_bonds.NAMED_FORMATS, text, line, disk
    )
    return event or _status_event(text, line, disk)


def _classify_scsi(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    device = subject["scsi"]
    if disk := scsi.SCSI_DISK.match(text):
        device, text = disk["disk"], text[disk.end() :]
    return _match_event(scsi.SCSI_FORMATS, text, line, device)


def _classify_ata(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    return _match_event(scsi.ATA_FORMATS, text, line, subject["ata"]) if subject["driver"] is None else None


def _classify_bridge(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    """A host bridge of the device tree speaks through its driver, ``brcm-pcie fd500000.pcie``."""
    if "pci" not in (subject["driver"] or ""):
        return _classify_named(subject, text, line)
    return _match_event(host_bridges.HOST_FORMATS, text, line, subject["bridge"])


def _classify_array(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    """``md/raid1:md0`` is an array's personality, ``md`` the layer above."""
    if subject["driver"] is not None:
        return None
    array = subject["joined"] or subject["array"].removeprefix(":") or None
    if event := _match_event(arrays_and_bonds.ARRAY_FORMATS, text, line, array):
        return event
    member, separator, rest = text.partition(": " if array else " ")
    return _match_event(arrays_and_bonds.MEMBER_FORMATS, rest, line, member.removesuffix(":")) if separator else None


def _classify_named(subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    if subject["driver"] is not None:
        return _classify_without_subject(line, line)
    return _match_event(
        arrays_and_bonds.NAMED_FORMATS, text, line, subject["named"] or subject["bridge"]
    ) or _classify_without_subject(line, line)


def _classify_firmware(_subject: re.Match[str], text: str, line: str) -> KernelEvent | None:
    return _match_event(aer.FIRMWARE_FORMATS, text, line, None)


def _classify_file_system(_subject: re.Match[str], _text: str, line: str) -> KernelEvent | None:
    return _match_event(block_layer.LINE_FORMATS, line, line, None)


def _classify_without_subject(text: str, line: str) -> KernelEvent | None:
    """The block layer and the page cache put no subject before their messages."""
    if " error, dev " in text:
        found = match_format(block_layer.BLOCK_ERROR, text)
        return None if found is None else _build_event(*found, line, None)
    return _match_event(block_layer.LINE_FORMATS, text, line, None)


_FAMILIES = {
    "function": _classify_function,
    "controller": _classify_controller,
    "disk": _classify_disk,
    "scsi": _classify_scsi,
    "ata": _classify_ata,
    "bridge": _classify_bridge,
    "joined": _classify_array,
    "array": _classify_array,
    "named": _classify_named,
    "firmware": _classify_firmware,
    "file_system": _classify_file_system,
}


def join_detail(first: Mapping[str, str], further: Mapping[str, str]) -> dict[str, str]:
    """Join what two lines of one report say.

    The first word on a matter stands, but an inferred severity gives way to one that was said; names of bits are
    gathered.
    """
    joined = {**further, **first}
    if "bits" in first and "bits" in further:
        joined["bits"] = " ".join(dict.fromkeys((first["bits"] + " " + further["bits"]).split()))
    if first.get("severity") == "inferred" and "severity" in further:
        joined["severity"] = further["severity"]
    return joined
