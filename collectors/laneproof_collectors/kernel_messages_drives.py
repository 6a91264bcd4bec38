"""What the kernel says of drives: the NVMe driver, the block layer, SATA and SCSI, and the file systems above.

A failed command is told several times, by the driver, the block layer and the file system; each line names what it
knows, and joining them is left to whoever counts. Counts come from the drives' own counters: these lines are limited in
rate.
"""

import re

from laneproof_collectors.kernel_messages import HEX, EventKind, by_opening, told

_SCT_MEDIA = 0x2
# NVMe Base 2.0, status codes of media and data integrity: 80h to 84h and 88h are data lost or not to be trusted. 85h is
# a compare that found a difference, 86h a locked drive, 87h a block that was never written: none of them damage.
_SC_DATA_LOST = frozenset({0x80, 0x81, 0x82, 0x83, 0x84, 0x88})
_SCT_PATH = 0x3


def judge_nvme_status(groups: dict[str, str]) -> EventKind | None:
    """Tell lost data from other failures by the status code type and status code.

    A command that a program sent by itself (no block address) and that the drive refused as unknown or malformed is no
    failure of the drive: the program asked for something optional.
    """
    code_type, code = int(groups["sct"], 16), int(groups["sc"], 16)
    if code_type == _SCT_MEDIA and code in _SC_DATA_LOST:
        return EventKind.MEDIA_ERROR
    if "lba" in groups or code_type in {_SCT_MEDIA, _SCT_PATH}:
        return EventKind.IO_ERROR
    return None


def judge_block_status(groups: dict[str, str]) -> EventKind:
    """Only ``critical medium`` is the medium (block/blk-core.c, blk_errors)."""
    return EventKind.MEDIA_ERROR if groups["status"] == "critical medium" else EventKind.IO_ERROR


def judge_initialisation(groups: dict[str, str]) -> EventKind:
    """The same message is printed at first bring-up and when a reset or a shutdown hangs."""
    first = groups.get("stage", "").startswith("initiali")
    return EventKind.PROBE_FAILED if first else EventKind.CONTROLLER_DOWN


def judge_sense(groups: dict[str, str]) -> EventKind | None:
    """Tell by the sense key (SPC-5, table of sense keys); a refused or unsupported command is no failure."""
    match groups["sense"].split(" [", 1)[0].strip():
        case "Medium Error":
            return EventKind.MEDIA_ERROR
        case "Hardware Error" | "Aborted Command":
            return EventKind.IO_ERROR
        case _:
            return None


def judge_ata_mask(groups: dict[str, str]) -> EventKind:
    """Tell by the error mask (include/linux/libata.h, ata_completion_errors): 8 medium, 4 timeout."""
    mask = int(groups["mask"], 16)
    if mask & 0x8:
        return EventKind.MEDIA_ERROR
    return EventKind.IO_TIMEOUT if mask & 0x4 else EventKind.IO_ERROR


def judge_host_byte(groups: dict[str, str]) -> EventKind:
    """Tell a command that nobody answered from one that failed."""
    return EventKind.IO_TIMEOUT if groups["host"] == "DID_TIME_OUT" else EventKind.IO_ERROR


_NVME_PCI = "drivers/nvme/host/pci.c"
_NVME_CORE = "drivers/nvme/host/core.c"

CONTROLLER_FORMATS = by_opening(
    (
        told(
            EventKind.CONTROLLER_DOWN,
            "controller",
            rf"controller is down; will reset: CSTS[=:](?P<csts>{HEX})"
            rf"(?:, PCI_STATUS[=: ](?P<pci_status>{HEX}|read failed(?: \(-?\d+\))?))?",
            _NVME_PCI,
        ),
        told(
            EventKind.IO_TIMEOUT,
            "I/O",
            rf"I/O (?:tag )?(?P<tag>\d+)(?: \([^)]*\))?(?: opcode (?P<opcode>{HEX}))?(?: \([^)]*\))? QID (?P<qid>\d+)"
            r" timeout, (?P<action>\w+(?: (?!req_op)\w+)*)"
            r"(?: req_op:(?P<operation>\w+)\(\d+\) size:(?P<size>\d+))?",
            f"{_NVME_PCI}: `I/O %d` to 6.0, with the command to 6.7, `I/O tag %d` later",
        ),
        # A later kernel may word the command otherwise; that it timed out will still be said in this word.
        told(
            EventKind.IO_TIMEOUT, "I/O Admin QID", r"[^,]*\b[Tt]imeout, (?P<action>\w+(?: (?!req_op)\w+)*)", _NVME_PCI
        ),
        told(
            EventKind.IO_TIMEOUT, "Cancelling", r"Cancelling I/O (?P<tag>\d+) QID (?P<qid>\d+)", f"{_NVME_PCI} to 4.x"
        ),
        told(
            judge_initialisation,
            "Device",
            rf"Device not ready; aborting (?P<stage>\w+)(?:, CSTS=(?P<csts>{HEX}))?",
            f"{_NVME_CORE}; CSTS from 5.14",
        ),
        told(
            EventKind.CONTROLLER_DOWN, "Device", r"Device shutdown incomplete; abort shutdown", f"{_NVME_CORE} to 6.1"
        ),
        told(
            EventKind.CONTROLLER_DOWN,
            "frozen failure",
            r"(?P<channel>frozen|failure) state error detected, (?P<action>reset controller|request disconnect)",
            _NVME_PCI,
        ),
        told(
            EventKind.CONTROLLER_DOWN,
            "resetting",
            r"resetting controller due to (?P<reason>[\w ]+)",
            f"{_NVME_CORE}: the drive told of an error of its own that persists",
        ),
        told(EventKind.CONTROLLER_DOWN, "Fw", r"Fw activation timeout, reset controller", _NVME_CORE),
        told(
            EventKind.CONTROLLER_DOWN,
            "Failed",
            r"Failed status: (?P<csts>[0-9a-f]+), reset controller",
            f"{_NVME_PCI} 4.x",
        ),
        told(EventKind.CONTROLLER_DOWN, "failed", r"failed to mark controller (?P<state>\w+)", _NVME_PCI),
        told(EventKind.CONTROLLER_DOWN, "ctrl", r"ctrl state (?P<state>\d+) is not RESETTING", _NVME_PCI),
        told(EventKind.CONTROLLER_DOWN, "IO", r"IO queues lost", f"{_NVME_PCI} 6.0 on"),
        # An errno: the command was cancelled, for the controller had gone. A positive status: it was refused.
        told(EventKind.CONTROLLER_DOWN, "failed", r"failed to set APST feature \((?P<error>-\d+)\)", _NVME_CORE),
        told(
            EventKind.DEVICE_REMOVED,
            "Removing Disabling",
            r"(?:Removing after probe failure status|Disabling device after reset failure): (?P<error>-?\d+)",
            f"{_NVME_PCI}: `Removing` to 6.1; at run time as well, after a reset that failed",
        ),
        told(
            EventKind.PROBE_FAILED,
            "Identify failed Reading IO Minimum",
            r"Identify Controller failed \((?P<error>-?\d+)\)|failed to identify controller|Reading CAP failed"
            r"|IO queues not created|Minimum device page size",
            _NVME_CORE,
        ),
    )
)
"""Messages whose subject is an NVMe controller (its PCI function, in kernels to 4.4)."""

COMMAND_STATUS = told(
    judge_nvme_status,
    "",
    rf"(?P<command>[^(,]+)\((?P<opcode>{HEX})\)(?: @ LBA (?P<lba>\d+), (?P<blocks>\d+) blocks)?,"
    rf" (?P<status>[^(]*) \(sct (?P<sct>{HEX}) / sc (?P<sc>{HEX})\)(?P<more> MORE)?(?: (?P<final>DNR))?",
    f"{_NVME_CORE}: nvme_log_error, 5.18 on",
)
"""The status of a failed NVMe command, which begins with the command's name; subject is the disk or the controller."""

DISK_FORMATS = by_opening(
    (
        # A disk shrinks to nothing when its controller is declared dead; other kinds do so when a medium is taken out.
        told(
            EventKind.DEVICE_REMOVED,
            "detected",
            r"detected capacity change from (?P<sectors>[1-9]\d*) to 0$",
            "block/genhd.c: set_capacity_and_notify",
        ),
        told(EventKind.IO_ERROR, "no", r"no available path - failing I/O", "drivers/nvme/host/multipath.c"),
    )
)
"""Other messages whose subject is an NVMe disk."""

_BLOCK_ROWS = (
    told(
        EventKind.IO_ERROR,
        "Buffer I/O",
        r"(?:Buffer )?I/O error on dev(?:ice)? (?P<device>[^\s,]+), logical block (?P<block>\d+)"
        r"(?:, (?P<operation>.+))?",
        "fs/buffer.c",
    ),
    told(
        EventKind.IO_ERROR,
        "lost",
        r"lost (?:async )?page write due to I/O error on (?P<device>\S+)",
        "fs/buffer.c to 4.x",
    ),
    told(
        EventKind.IO_ERROR,
        "Read-error Write-error",
        r"(?:Read|Write)-error on swap-device \((?P<device>\d+:\d+):(?P<block>\d+)\)",
        "mm/page_io.c",
    ),
    told(
        EventKind.IO_ERROR,
        "zio",
        r"zio pool=(?P<pool>\S+) vdev=(?:/dev/)?(?P<device>\S+) error=(?P<error>\d+)",
        "module/os/linux/zfs/vdev_disk.c of the ZFS module",
    ),
)

BLOCK_ERROR = told(
    judge_block_status,
    "",
    r"(?P<status>[A-Za-z][A-Za-z/ -]{2,40}?) error, dev (?P<device>[^\s,]+), sector (?P<sector>\d+)"
    rf"(?: op (?P<op>{HEX}):\((?P<operation>\w+)\))?",
    "block/blk-core.c, block/blk-mq.c: blk_errors; after a function's name to 5.17",
)
BLOCK_SUBJECTS = frozenset({"blk_update_request", "print_req_error", "end_request", "__blk_mq_end_request"})
"""The functions that older kernels named before a block error."""

ATA_FORMATS = by_opening(
    (
        told(
            judge_ata_mask,
            "exception",
            rf"exception Emask (?P<mask>{HEX}) SAct {HEX} SErr (?P<serror>{HEX})",
            "drivers/ata/libata-eh.c",
        ),
        told(
            EventKind.IO_ERROR, "failed", r"failed command: (?P<command>.+)", "drivers/ata/libata-eh.c", continues=True
        ),
        told(
            judge_ata_mask,
            "res",
            rf"res [0-9a-f/:]+ Emask (?P<mask>{HEX}) \((?P<reason>[^)]*)\)",
            "drivers/ata/libata-eh.c",
            continues=True,
        ),
        told(
            EventKind.MEDIA_ERROR,
            "error",
            r"error: \{ [A-Z ]*(?P<bits>\bUNC)\b",
            "drivers/ata/libata-eh.c",
            continues=True,
        ),
        told(
            EventKind.PROBE_FAILED, "failed", r"failed to IDENTIFY \((?P<reason>[^)]*)\)", "drivers/ata/libata-core.c"
        ),
        told(
            EventKind.DEVICE_REMOVED,
            "disabled disable",
            r"disabled?(?: device)?$",
            "drivers/ata/libata-core.c, libata-eh.c",
        ),
        told(
            EventKind.LINK_DOWN, "COMRESET", r"COMRESET failed \(errno=(?P<error>-\d+)\)", "drivers/ata/libata-sata.c"
        ),
        told(EventKind.CONTROLLER_DOWN, "reset", r"reset failed, giving up", "drivers/ata/libata-eh.c"),
        told(
            EventKind.BANDWIDTH_LIMITED,
            "limiting",
            r"limiting SATA link speed to (?P<speed>[\d.]+ Gbps)",
            "drivers/ata/libata-core.c",
        ),
    )
)
"""Messages whose subject is a SATA port or device. ``SATA link down`` is said of every empty port: it tells nothing."""

SCSI_FORMATS = by_opening(
    (
        told(
            judge_host_byte,
            "FAILED UNKNOWN",
            r"(?:FAILED|UNKNOWN(?:\([^)]*\))?) Result: hostbyte=(?P<host>\w+) driverbyte=(?P<driver>\w+)",
            "drivers/scsi/scsi_logging.c",
        ),
        told(judge_sense, "Sense", r"Sense Key : (?P<sense>.+)", "drivers/scsi/scsi_logging.c", continues=True),
        told(
            EventKind.MEDIA_ERROR,
            "Add",
            r"Add\. Sense: (?P<reason>(?:Unrecovered read|Write) error\b.*)",
            "drivers/scsi/scsi_logging.c",
            continues=True,
        ),
        told(
            EventKind.DEVICE_REMOVED,
            "Device",
            r"Device offlined - not ready after error recovery",
            "drivers/scsi/scsi_error.c",
        ),
        told(
            EventKind.IO_ERROR,
            "rejecting",
            r"rejecting I/O to (?P<state>offline|dead) device",
            "drivers/scsi/scsi_lib.c",
        ),
    )
)
"""Messages whose subject is a SCSI device; where the disk is named in brackets, that is who erred."""
SCSI_DISK = re.compile(r"\[(?P<disk>\w+)\] +(?:tag#\d+ +)?")

_FILE_SYSTEM_DEVICE = r"(?P<device>[^\s()]+)"
_FILE_SYSTEM_ROWS = (
    told(
        EventKind.IO_ERROR,
        "EXT2-fs EXT3-fs EXT4-fs",
        rf"EXT[234]-fs(?: warning)? \((?:device )?{_FILE_SYSTEM_DEVICE}\): "
        r"(?:ext4_end_bio:\d+: |previous )?I/O error",
        "fs/ext4/super.c, page-io.c",
    ),
    told(
        EventKind.IO_ERROR,
        "XFS",
        rf"XFS \({_FILE_SYSTEM_DEVICE}\): (?:(?:metadata|log) I/O [Ee]rror|writeback error)",
        "fs/xfs/xfs_buf.c, xfs_aops.c",
    ),
    told(
        EventKind.IO_ERROR,
        "JBD2",
        r"JBD2: I/O error (?:detected )?when updating journal superblock for (?P<device>\w+)",
        "fs/jbd2/journal.c",
    ),
    # The same figures as a notice are the drive's history, told at each mount.
    told(
        EventKind.IO_ERROR,
        "BTRFS",
        r"BTRFS error \(device [^)]*\): bdev (?:/dev/)?(?P<device>\S+) errs: wr (?P<writes>\d+), rd (?P<reads>\d+),"
        r" flush (?P<flushes>\d+), corrupt (?P<corrupt>\d+), gen (?P<generation>\d+)",
        "fs/btrfs/volumes.c",
    ),
    told(
        EventKind.ARRAY_DEGRADED,
        "BTRFS",
        r"BTRFS \w+ \(device (?P<device>\w+)[^)]*\): devid (?P<devid>\d+) uuid (?P<uuid>[0-9a-f-]+) is missing",
        "fs/btrfs/volumes.c",
    ),
)

LINE_FORMATS = by_opening(_BLOCK_ROWS, _FILE_SYSTEM_ROWS)
"""Messages of the block layer, the page cache and file systems: no subject before them, the disk is named within."""
