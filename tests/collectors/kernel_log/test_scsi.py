"""What the kernel says of SATA, SAS and USB drives, by version; the source of each format stands beside it."""

import pytest

from laneproof_collectors.kernel_log.lines import classify

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/ata
    (
        "6.1",
        "libata-eh.c",
        "ata1.00: exception Emask 0x10 SAct 0x4000 SErr 0x4050002 action 0xe frozen",
        "io_error",
        "ata1.00",
    ),
    ("6.1", "libata-eh.c", "ata1.00: failed command: READ FPDMA QUEUED", "io_error", "ata1.00"),
    ("6.1", "libata-eh.c", "ata1.00: error: { UNC }", "media_error", "ata1.00"),
    (
        "6.1",
        "libata-eh.c",
        (
            "ata1.00: cmd 60/08:00:00:10:00/00:00:00:00:00/40 tag 0 ncq dma 4096 in\n"
            "         res 41/40:08:00:10:00/00:00:00:00:00/00 Emask 0x409 (media error) <F>"
        ),
        "media_error",
        "ata1.00",
    ),
    (
        "6.1",
        "libata-eh.c",
        (
            "ata2.00: cmd 60/08:00:00:10:00/00:00:00:00:00/40 tag 0 ncq dma 4096 in\n"
            "         res 40/00:08:00:10:00/00:00:00:00:00/00 Emask 0x4 (timeout)"
        ),
        "io_timeout",
        "ata2.00",
    ),
    ("6.1", "libata-core.c", "ata1: limiting SATA link speed to 1.5 Gbps", "bandwidth_limited", "ata1"),
    ("6.1", "libata-eh.c", "ata1.00: disable device", "device_removed", "ata1.00"),
    ("5.10", "libata-core.c", "ata1.00: disabled", "device_removed", "ata1.00"),
    ("6.1", "libata-sata.c", "ata1: COMRESET failed (errno=-16)", "link_down", "ata1"),
    # drivers/scsi
    (
        "5.10",
        "scsi_logging.c",
        "sd 0:0:0:1: [sdb] tag#0 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_SENSE cmd_age=0s",
        "io_error",
        "sdb",
    ),
    (
        "6.1",
        "scsi_logging.c",
        "sd 0:0:0:1: [sdb] tag#0 FAILED Result: hostbyte=DID_TIME_OUT driverbyte=DRIVER_OK cmd_age=61s",
        "io_timeout",
        "sdb",
    ),
    ("6.1", "scsi_logging.c", "sd 0:0:0:1: [sdb] tag#0 Sense Key : Medium Error [current] ", "media_error", "sdb"),
    ("6.1", "scsi_logging.c", "sd 0:0:0:1: [sdb] tag#0 Sense Key : Hardware Error [current] ", "io_error", "sdb"),
    ("6.1", "scsi_logging.c", "sd 0:0:0:1: [sdb] tag#0 Add. Sense: Unrecovered read error", "media_error", "sdb"),
    (
        "6.1",
        "scsi_error.c",
        "sd 0:0:0:1: Device offlined - not ready after error recovery",
        "device_removed",
        "0:0:0:1",
    ),
    ("6.1", "scsi_lib.c", "sd 0:0:0:1: [sdb] rejecting I/O to offline device", "io_error", "sdb"),
    ("5.10", "libata-core.c", "ata1.00: qc timeout (cmd 0xec)", "io_timeout", "ata1.00"),
    ("6.1", "libata-core.c", "ata1.00: qc timeout after 5000 msecs (cmd 0xec)", "io_timeout", "ata1.00"),
    ("6.1", "libata-eh.c", "ata1.00: FLUSH failed Emask 0x4", "io_timeout", "ata1.00"),
    ("6.1", "libata-eh.c", "ata1: EH pending after 5 tries, giving up", "controller_down", "ata1"),
    ("6.1", "libata-eh.c", "ata1: reset failed, giving up", "controller_down", "ata1"),
    ("6.1", "libata-scsi.c", "ata1.00: detaching (SCSI 0:0:0:0)", "device_removed", "ata1.00"),
    ("6.1", "libahci.c", "ahci 0000:00:17.0: AHCI controller unavailable!", "device_removed", "0000:00:17.0"),
    ("5.10", "libahci.c", "ahci 0000:00:17.0: controller reset failed (0x1)", "controller_down", "0000:00:17.0"),
    ("6.1", "sd.c", "sd 0:0:0:1: [sdb] tag#3 device offline or changed", "io_error", "sdb"),
    ("6.1", "sd.c", "sd 0:0:0:1: [sdb] tag#3 Medium access timeout failure. Offlining disk!", "device_removed", "sdb"),
    ("6.1", "scsi_lib.c", "sd 0:0:0:1: [sdb] tag#3 timing out command, waited 180s", "io_timeout", "sdb"),
    ("6.1", "uas.c", "sd 6:0:0:0: [sdc] tag#0 uas_eh_abort_handler 0 uas-tag 1 inflight: CMD IN ", "io_timeout", "sdc"),
    (
        "6.1",
        "mpt3sas_scsih.c",
        "sd 0:0:5:0: attempting task abort!scmd(0x1), outstanding for 30000 ms & timeout 30000 ms",
        "io_timeout",
        "0:0:5:0",
    ),
    ("6.1", "mpt3sas_base.c", "mpt3sas_cm0: SAS host is non-operational !!!!", "controller_down", "mpt3sas_cm0"),
    ("6.1", "mpt3sas_base.c", "mpt3sas_cm0: fault_state(0x5854)!", "controller_down", "mpt3sas_cm0"),
]

HARMLESS = [
    "ata1: SATA link down (SStatus 0 SControl 300)",
    "ata1: SATA link up 6.0 Gbps (SStatus 133 SControl 300)",
    "ata1: link is slow to respond, please be patient (ready=0)",
    "sd 0:0:0:0: [sda] Attached SCSI disk",
    "sd 0:0:0:0: [sda] tag#0 Sense Key : Illegal Request [current] ",
    "usb 2-3: USB disconnect, device number 2",
    "ata1: hard resetting link",
    "ata1: softreset failed (device not ready)",
    "ata1: EH complete",
    "ata1.00: configured for UDMA/133",
    "sd 0:0:0:0: [sda] Synchronize Cache(10) failed: Result: hostbyte=DID_NO_CONNECT driverbyte=DRIVER_OK",
    "sd 0:0:0:0: Power-on or device reset occurred",
    "scsi host6: uas_eh_device_reset_handler success",
    "mpt3sas_cm0: sending diag reset !!",
]


@pytest.mark.parametrize(("versions", "source", "message", "kind", "device"), FORMATS)
def test_each_version_is_understood(versions: str, source: str, message: str, kind: str, device: str) -> None:
    event = classify(message)
    assert event is not None, (versions, source)
    assert event.kind == kind
    assert event.device == device


@pytest.mark.parametrize("message", HARMLESS)
def test_what_harms_nobody_is_no_event(message: str) -> None:
    assert classify(message) is None
