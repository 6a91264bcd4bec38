"""What the NVMe driver says of drives.

A failed command is reported several times, by the driver, the block layer and the file system; each line names what it
knows, and joining them is left to whoever counts. Counts come from the drives' own counters: these lines are limited in
rate.
"""

from laneproof_collectors.kernel_log.formats import HEX, EventKind, by_opening, row

_SCT_MEDIA = 0x2
# NVMe Base 2.0, status codes of media and data integrity: 80h to 84h and 88h are data lost or not to be trusted. 85h is
# a compare that found a difference, 86h a locked drive, 87h a block that was never written: none of them damage.
_SC_DATA_LOST = frozenset({0x80, 0x81, 0x82, 0x83, 0x84, 0x88})
_SCT_PATH = 0x3
_REFUSALS = frozenset({0x1, 0x2})  # generic status: Invalid Command Opcode, Invalid Field in Command
_OPTIONAL_COMMANDS = frozenset({0x8, 0x9})  # Write Zeroes, Dataset Management; nvme.h, enum nvme_opcode


def judge_nvme_status(groups: dict[str, str]) -> EventKind | None:
    """Tell lost data from other failures by the status code type and status code.

    What the drive refused as unknown or malformed is no failure of it where a program sent it by itself (no block
    address), or where it is a command that a drive need not know: something optional was asked for.
    """
    code_type, code = int(groups["sct"], 16), int(groups["sc"], 16)
    if code_type == _SCT_MEDIA and code in _SC_DATA_LOST:
        return EventKind.MEDIA_ERROR
    if code_type == 0 and code in _REFUSALS and int(groups["opcode"], 16) in _OPTIONAL_COMMANDS:
        return None
    if "lba" in groups or code_type in {_SCT_MEDIA, _SCT_PATH}:
        return EventKind.IO_ERROR
    return None


def judge_initialisation(groups: dict[str, str]) -> EventKind:
    """The same message is printed at first bring-up and when a reset or a shutdown hangs."""
    first = groups.get("stage", "").startswith("initiali")
    return EventKind.PROBE_FAILED if first else EventKind.CONTROLLER_DOWN


_NVME_PCI = "drivers/nvme/host/pci.c"
_NVME_CORE = "drivers/nvme/host/core.c"

CONTROLLER_FORMATS = by_opening(
    row(
        EventKind.CONTROLLER_DOWN,
        "controller",
        rf"controller is down; will reset: CSTS[=:](?P<csts>{HEX})"
        rf"(?:, PCI_STATUS[=: ](?P<pci_status>{HEX}|read failed(?: \(-?\d+\))?))?",
        _NVME_PCI,
    ),
    row(
        EventKind.IO_TIMEOUT,
        "I/O",
        rf"I/O (?:tag )?(?P<tag>\d+)(?: \([^)]*\))?(?: opcode (?P<opcode>{HEX}))?(?: \([^)]*\))? QID (?P<qid>\d+)"
        r" timeout, (?P<action>\w+(?: (?!req_op)\w+)*)"
        r"(?: req_op:(?P<operation>\w+)\(\d+\) size:(?P<size>\d+))?",
        f"{_NVME_PCI}: `I/O %d` to 6.0, with the command to 6.7, `I/O tag %d` later",
    ),
    # A later kernel may word the command otherwise; that it timed out will still be said in this word.
    row(EventKind.IO_TIMEOUT, "I/O Admin QID", r"[^,]*\b[Tt]imeout, (?P<action>\w+(?: (?!req_op)\w+)*)", _NVME_PCI),
    row(EventKind.IO_TIMEOUT, "Cancelling", r"Cancelling I/O (?P<tag>\d+) QID (?P<qid>\d+)", f"{_NVME_PCI} to 4.x"),
    row(
        judge_initialisation,
        "Device",
        rf"Device not ready; aborting (?P<stage>\w+)(?:, CSTS=(?P<csts>{HEX}))?",
        f"{_NVME_CORE}; CSTS from 5.14",
    ),
    row(EventKind.CONTROLLER_DOWN, "Device", r"Device shutdown incomplete; abort shutdown", f"{_NVME_CORE} to 6.1"),
    row(
        EventKind.CONTROLLER_DOWN,
        "frozen failure",
        r"(?P<channel>frozen|failure) state error detected, (?P<action>reset controller|request disconnect)",
        _NVME_PCI,
    ),
    row(
        EventKind.CONTROLLER_DOWN,
        "resetting",
        r"resetting controller due to (?P<reason>[\w ]+)",
        f"{_NVME_CORE}: the drive reported an error of its own that persists",
    ),
    row(EventKind.CONTROLLER_DOWN, "Fw", r"Fw activation timeout, reset controller", _NVME_CORE),
    row(
        EventKind.CONTROLLER_DOWN, "Failed", r"Failed status: (?P<csts>[0-9a-f]+), reset controller", f"{_NVME_PCI} 4.x"
    ),
    row(EventKind.CONTROLLER_DOWN, "failed", r"failed to mark controller (?P<state>\w+)", _NVME_PCI),
    row(EventKind.CONTROLLER_DOWN, "ctrl", r"ctrl state (?P<state>\d+) is not RESETTING", _NVME_PCI),
    row(EventKind.CONTROLLER_DOWN, "IO", r"IO queues lost", f"{_NVME_PCI} 6.0 on"),
    # An errno: the command was cancelled, for the controller had gone. A positive status: it was refused.
    row(EventKind.CONTROLLER_DOWN, "failed", r"failed to set APST feature \((?P<error>-\d+)\)", _NVME_CORE),
    row(
        EventKind.DEVICE_REMOVED,
        "Removing Disabling",
        r"(?:Removing after probe failure status|Disabling device after reset failure): (?P<error>-?\d+)",
        f"{_NVME_PCI}: `Removing` to 6.1; at run time as well, after a reset that failed",
    ),
    row(
        EventKind.PROBE_FAILED,
        "Identify failed Reading IO Minimum Could",
        r"Identify Controller failed \((?P<error>-?\d+)\)|failed to identify controller"
        r"|Reading (?:CAP|VS|CRTO) failed|IO queues not created|Minimum device page size"
        r"|Could not set queue count \((?P<status>\d+)\)",
        _NVME_CORE,
    ),
    # Two drives that claim one identity: the kernel takes the first, and the other's namespace stays away.
    row(
        EventKind.PROBE_FAILED,
        "globally ignoring duplicate",
        r"(?:globally )?duplicate IDs (?:in subsystem )?for nsid (?P<namespace>\d+)"
        r"|ignoring nsid (?P<nsid>\d+) because of duplicate IDs",
        f"{_NVME_CORE} 5.18 on",
    ),
    row(EventKind.CONTROLLER_DOWN, "ANATT", r"ANATT timeout, resetting controller", "drivers/nvme/host/multipath.c"),
    row(
        EventKind.IO_ERROR,
        "invalid",
        r"invalid id (?P<tag>\d+) completed on queue (?P<qid>\d+)",
        f"{_NVME_PCI}: the drive answered what nobody asked",
    ),
)
"""Messages whose subject is an NVMe controller (its PCI function, in kernels to 4.4)."""

COMMAND_STATUS = row(
    judge_nvme_status,
    "",
    rf"(?P<command>[^(,]+)\((?P<opcode>{HEX})\)(?: @ LBA (?P<lba>\d+), (?P<blocks>\d+) blocks)?,"
    rf" (?P<status>[^(]*) \(sct (?P<sct>{HEX}) / sc (?P<sc>{HEX})\)(?P<more> MORE)?(?: (?P<final>DNR))?",
    f"{_NVME_CORE}: nvme_log_error, 5.18 on",
)
"""The status of a failed NVMe command, which begins with the command's name; subject is the disk or the controller."""

DISK_FORMATS = by_opening(
    # A disk shrinks to nothing when its controller is declared dead; other kinds do so when a medium is taken out.
    row(
        EventKind.DEVICE_REMOVED,
        "detected",
        r"detected capacity change from (?P<sectors>[1-9]\d*) to 0$",
        "block/genhd.c: set_capacity_and_notify",
    ),
    row(EventKind.IO_ERROR, "no", r"no available path - failing I/O", "drivers/nvme/host/multipath.c"),
    # With any other limit a program or a file system asked for what the disk never had.
    row(
        EventKind.IO_ERROR,
        "rw",
        r"rw=\d+, (?:want|sector)=(?P<sector>\d+),.* limit=0$",
        "block/blk-core.c: `attempt to access beyond end of device`, of a disk that shrank to nothing",
    ),
)
"""Other messages whose subject is an NVMe disk."""
