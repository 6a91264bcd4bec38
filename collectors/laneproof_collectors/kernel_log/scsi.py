"""What the kernel says of SATA, SAS and USB drives: libata and the SCSI layer."""

import re

from laneproof_collectors.kernel_log.formats import HEX, EventKind, by_opening, row


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
    """Tell by the error mask (include/linux/libata.h, ata_completion_errors): 8 medium, 4 timeout, 10h the bus.

    Where the bus damaged the transfer, what else the drive said of it may be damaged too.
    """
    mask = int(groups["mask"], 16)
    if mask & 0x8 and not mask & 0x10:
        return EventKind.MEDIA_ERROR
    return EventKind.IO_TIMEOUT if mask & 0x4 else EventKind.IO_ERROR


def judge_ata_bits(groups: dict[str, str]) -> EventKind | None:
    """Tell lost data (UNC) from a transfer that failed on the way: then it stands beside ICRC and ABRT.

    Source: drivers/ata/libata-eh.c, ata_eh_link_report; ACS-3, error register (from memory).
    """
    bits = groups["bits"].split()
    if "UNC" not in bits:
        return None
    return EventKind.IO_ERROR if {"ICRC", "ABRT"} <= set(bits) else EventKind.MEDIA_ERROR


def judge_host_byte(groups: dict[str, str]) -> EventKind:
    """Tell a command that nobody answered from one that failed."""
    return EventKind.IO_TIMEOUT if groups["host"] == "DID_TIME_OUT" else EventKind.IO_ERROR


ATA_FORMATS = by_opening(
    row(
        judge_ata_mask,
        "exception",
        rf"exception Emask (?P<mask>{HEX}) SAct {HEX} SErr (?P<serror>{HEX})",
        "drivers/ata/libata-eh.c",
    ),
    row(EventKind.IO_ERROR, "failed", r"failed command: (?P<command>.+)", "drivers/ata/libata-eh.c", continues=True),
    row(
        judge_ata_mask,
        "res",
        rf"res [0-9a-f/:]+ Emask (?P<mask>{HEX}) \((?P<reason>[^)]*)\)",
        "drivers/ata/libata-eh.c",
        continues=True,
    ),
    row(judge_ata_bits, "error", r"error: \{ (?P<bits>[A-Z ]+?) *\}", "drivers/ata/libata-eh.c", continues=True),
    row(EventKind.PROBE_FAILED, "failed", r"failed to IDENTIFY \((?P<reason>[^)]*)\)", "drivers/ata/libata-core.c"),
    row(
        EventKind.DEVICE_REMOVED,
        "disabled disable",
        r"disabled?(?: device)?$",
        "drivers/ata/libata-core.c, libata-eh.c",
    ),
    row(EventKind.LINK_DOWN, "COMRESET", r"COMRESET failed \(errno=(?P<error>-\d+)\)", "drivers/ata/libata-sata.c"),
    row(
        EventKind.CONTROLLER_DOWN,
        "reset EH",
        r"reset failed, giving up|EH pending after \d+ tries, giving up",
        "drivers/ata/libata-eh.c",
    ),
    row(
        EventKind.IO_TIMEOUT,
        "qc",
        r"qc timeout (?:after \d+ msecs )?\(cmd (?P<command>0x[0-9a-f]+)\)",
        "drivers/ata/libata-core.c; the time from 6.1",
    ),
    row(judge_ata_mask, "FLUSH", rf"FLUSH failed Emask (?P<mask>{HEX})", "drivers/ata/libata-eh.c"),
    row(EventKind.DEVICE_REMOVED, "detaching", r"detaching \(SCSI [\d:]+\)", "drivers/ata/libata-scsi.c"),
    row(
        EventKind.BANDWIDTH_LIMITED,
        "limiting",
        r"limiting SATA link speed to (?P<speed>[\d.]+ Gbps)",
        "drivers/ata/libata-core.c",
    ),
)
"""Messages whose subject is a SATA port or device. ``SATA link down`` is said of every empty port: it says nothing."""

SCSI_FORMATS = by_opening(
    row(
        judge_host_byte,
        "FAILED UNKNOWN",
        r"(?:FAILED|UNKNOWN(?:\([^)]*\))?) Result: hostbyte=(?P<host>\w+) driverbyte=(?P<driver>\w+)",
        "drivers/scsi/scsi_logging.c",
    ),
    row(judge_sense, "Sense", r"Sense Key : (?P<sense>.+)", "drivers/scsi/scsi_logging.c", continues=True),
    row(
        EventKind.MEDIA_ERROR,
        "Add",
        r"Add\. Sense: (?P<reason>(?:Unrecovered read|Write) error\b.*)",
        "drivers/scsi/scsi_logging.c",
        continues=True,
    ),
    row(
        EventKind.DEVICE_REMOVED,
        "Device",
        r"Device offlined - not ready after error recovery",
        "drivers/scsi/scsi_error.c",
    ),
    row(EventKind.IO_ERROR, "rejecting", r"rejecting I/O to (?P<state>offline|dead) device", "drivers/scsi/scsi_lib.c"),
    row(EventKind.IO_ERROR, "device", r"device offline or changed", "drivers/scsi/sd.c"),
    row(EventKind.DEVICE_REMOVED, "Medium", r"Medium access timeout failure\. Offlining", "drivers/scsi/sd.c"),
    row(
        EventKind.IO_TIMEOUT,
        "timing attempting uas_eh_abort_handler",
        r"timing out command, waited \d+s|attempting task abort!|uas_eh_abort_handler ",
        "drivers/scsi/scsi_lib.c, mpt3sas/mpt3sas_scsih.c, drivers/usb/storage/uas.c",
    ),
)
"""Messages whose subject is a SCSI device; where the disk is named in brackets, that is who erred."""
SCSI_DISK = re.compile(r"\[(?P<disk>\w+)\] +(?:tag#\d+ +)?")
