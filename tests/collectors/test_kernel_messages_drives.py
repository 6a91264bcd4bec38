"""What the kernel says of drives, by version; the source file of each format stands beside it.

Formats were taken from the kernel's source; the values in them are made up.
"""

import pytest

from laneproof_collectors.kernel_lines import classify

DOWN = "controller is down; will reset: "

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/nvme/host/pci.c: nvme_warn_reset, nvme_timeout, nvme_reset_work, nvme_error_detected
    ("5.10", "pci.c", f"nvme nvme0: {DOWN}CSTS=0xffffffff, PCI_STATUS=0xffff", "controller_down", "nvme0"),
    ("5.10", "pci.c", f"nvme nvme12: {DOWN}CSTS=0x3, PCI_STATUS=0x10", "controller_down", "nvme12"),
    ("5.10", "pci.c", f"nvme nvme0: {DOWN}CSTS=0xffffffff, PCI_STATUS read failed (134)", "controller_down", "nvme0"),
    ("4.4", "pci.c", "nvme 0000:03:00.0: I/O 17 QID 2 timeout, reset controller", "io_timeout", "0000:03:00.0"),
    ("4.4", "pci.c", "nvme 0000:03:00.0: Failed status: 3, reset controller", "controller_down", "0000:03:00.0"),
    ("4.1", "pci.c", "nvme 0000:03:00.0: Cancelling I/O 17 QID 2", "io_timeout", "0000:03:00.0"),
    ("5.10", "pci.c", "nvme nvme0: I/O 14 QID 2 timeout, aborting", "io_timeout", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: I/O 14 QID 2 timeout, completion polled", "io_timeout", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: I/O 5 QID 0 timeout, disable controller", "io_timeout", "nvme0"),
    ("6.1", "pci.c", "nvme nvme0: I/O 14 (I/O Cmd) QID 2 timeout, aborting", "io_timeout", "nvme0"),
    ("6.8", "pci.c", "nvme nvme0: I/O tag 641 (c281) QID 8 timeout, completion polled", "io_timeout", "nvme0"),
    (
        "6.8",
        "pci.c",
        "nvme nvme0: I/O tag 641 (c281) opcode 0x2 (Read) QID 8 timeout, aborting req_op:READ(0) size:4096",
        "io_timeout",
        "nvme0",
    ),
    (
        "6.8",
        "pci.c",
        "nvme nvme0: I/O tag 12 (400c) opcode 0x9 (Admin Cmd) QID 0 timeout, reset controller",
        "io_timeout",
        "nvme0",
    ),
    (
        "not yet",
        "a wording that no kernel has",
        "nvme nvme0: I/O cid 7 of QID 3 timeout, reset controller",
        "io_timeout",
        "nvme0",
    ),
    ("5.10", "core.c", "nvme nvme0: Device not ready; aborting reset", "controller_down", "nvme0"),
    ("5.15", "core.c", "nvme nvme0: Device not ready; aborting reset, CSTS=0x1", "controller_down", "nvme0"),
    ("6.2", "core.c", "nvme nvme0: Device not ready; aborting shutdown, CSTS=0x1", "controller_down", "nvme0"),
    ("5.15", "core.c", "nvme nvme0: Device not ready; aborting initialisation, CSTS=0x0", "probe_failed", "nvme0"),
    ("5.10", "core.c", "nvme nvme0: Device shutdown incomplete; abort shutdown", "controller_down", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: frozen state error detected, reset controller", "controller_down", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: failure state error detected, request disconnect", "controller_down", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: Removing after probe failure status: -19", "device_removed", "nvme0"),
    ("6.2", "pci.c", "nvme nvme0: Disabling device after reset failure: -19", "device_removed", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: failed to mark controller CONNECTING", "controller_down", "nvme0"),
    ("6.8", "pci.c", "nvme nvme0: ctrl state 1 is not RESETTING", "controller_down", "nvme0"),
    ("6.2", "core.c", "nvme nvme0: resetting controller due to AER", "controller_down", "nvme0"),
    ("6.8", "core.c", "nvme nvme0: resetting controller due to persistent internal error", "controller_down", "nvme0"),
    ("5.10", "core.c", "nvme nvme0: failed to set APST feature (-19)", "controller_down", "nvme0"),
    ("5.10", "core.c", "nvme nvme0: Identify Controller failed (-4)", "probe_failed", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: IO queues not created", "probe_failed", "nvme0"),
    ("6.0", "pci.c", "nvme nvme0: IO queues lost", "controller_down", "nvme0"),
    # nvme_log_error, nvme_log_err_passthru
    (
        "5.18",
        "core.c",
        "nvme0n1: Read(0x2) @ LBA 4096, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81) MORE DNR ",
        "media_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "core.c",
        "nvme1n2: I/O Cmd(0x1) @ LBA 4096, 8 blocks, I/O Error (sct 0x2 / sc 0x80) ",
        "media_error",
        "nvme1n2",
    ),
    (
        "6.1",
        "core.c",
        "nvme0c1n1: I/O Cmd(0x2) @ LBA 1, 8 blocks, I/O Error (sct 0x3 / sc 0x71) ",
        "io_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "core.c",
        "nvme0n1: I/O Cmd(0x2) @ LBA 1, 8 blocks, I/O Error (sct 0x0 / sc 0x4) DNR ",
        "io_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "core.c",
        "nvme0n1: Read(0x2) @ LBA 0, 8 blocks, Access Denied (sct 0x2 / sc 0x86) DNR ",
        "io_error",
        "nvme0n1",
    ),
    (
        "6.9",
        "core.c",
        (
            "nvme0n1: Read(0x2), Unrecovered Read Error (sct 0x2 / sc 0x81) DNR cdw10=0x1000 cdw11=0x0 cdw12=0x7"
            " cdw13=0x0 cdw14=0x0 cdw15=0x0"
        ),
        "media_error",
        "nvme0n1",
    ),
    # drivers/nvme/host/multipath.c, block/genhd.c
    ("5.10", "multipath.c", "block nvme0n1: no available path - failing I/O", "io_error", "nvme0n1"),
    ("5.10", "genhd.c", "nvme0n1: detected capacity change from 2000409264 to 0", "device_removed", "nvme0n1"),
    # block/blk-core.c, blk-mq.c
    ("4.4", "blk-core.c", "blk_update_request: I/O error, dev nvme0n1, sector 8", "io_error", "nvme0n1"),
    ("4.19", "blk-core.c", "print_req_error: I/O error, dev nvme0n1, sector 8", "io_error", "nvme0n1"),
    ("4.19", "blk-core.c", "print_req_error: critical medium error, dev sda, sector 8", "media_error", "sda"),
    (
        "5.10",
        "blk-core.c",
        "blk_update_request: critical medium error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0 phys_seg 1",
        "media_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "blk-mq.c",
        "I/O error, dev nvme0n1, sector 8 op 0x1:(WRITE) flags 0x8800 phys_seg 1 prio class 2",
        "io_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "blk-mq.c",
        "critical target error, dev nvme0n1, sector 8 op 0x3:(DISCARD) flags 0x0",
        "io_error",
        "nvme0n1",
    ),
    ("6.1", "blk-mq.c", "timeout error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "protection error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "recoverable transport error, dev nvme0c0n1, sector 8 op 0x0:(READ)", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "device offline error, dev sdb, sector 8 op 0x0:(READ) flags 0x0", "io_error", "sdb"),
    # fs/buffer.c, mm/page_io.c
    ("4.4", "buffer.c", "Buffer I/O error on device sda1, logical block 3", "io_error", "sda1"),
    ("4.4", "buffer.c", "lost page write due to I/O error on sda1", "io_error", "sda1"),
    (
        "6.1",
        "buffer.c",
        "Buffer I/O error on dev nvme0n1p2, logical block 3, lost async page write",
        "io_error",
        "nvme0n1p2",
    ),
    ("6.1", "page_io.c", "Read-error on swap-device (259:0:316812312)", "io_error", "259:0"),
    # fs/ext4, fs/xfs, fs/jbd2, fs/btrfs
    ("6.1", "ext4/super.c", "EXT4-fs (nvme0n1p2): I/O error while writing superblock", "io_error", "nvme0n1p2"),
    (
        "6.1",
        "ext4/page-io.c",
        "EXT4-fs warning (device nvme0n1p2): ext4_end_bio:343: I/O error 10 writing to inode 12 starting block 5)",
        "io_error",
        "nvme0n1p2",
    ),
    (
        "6.1",
        "xfs_buf.c",
        'XFS (nvme0n1p1): metadata I/O error in "xfs_da_read_buf+0x1/0x2" at daddr 0x8 len 8 error 5',
        "io_error",
        "nvme0n1p1",
    ),
    ("6.1", "xfs", "XFS (dm-0): log I/O error -5", "io_error", "dm-0"),
    ("6.1", "jbd2", "JBD2: I/O error when updating journal superblock for nvme0n1p2-8.", "io_error", "nvme0n1p2"),
    (
        "6.1",
        "btrfs/volumes.c",
        "BTRFS error (device nvme0n1p1): bdev /dev/nvme1n1p1 errs: wr 1, rd 0, flush 0, corrupt 0, gen 0",
        "io_error",
        "nvme1n1p1",
    ),
    (
        "6.1",
        "btrfs/volumes.c",
        "BTRFS warning (device nvme0n1p1): devid 2 uuid 8a1fcdd5-6d5b-4a3a-a2a6-9a4a0f5c5a7c is missing",
        "array_degraded",
        "nvme0n1p1",
    ),
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
]

HARMLESS = [
    "nvme nvme0: pci function 0000:03:00.0",
    "nvme nvme0: 8/0/0 default/read/poll queues",
    "nvme nvme0: missing or invalid SUBNQN field.",
    "nvme nvme0: Shutdown timeout set to 8 seconds",
    "nvme nvme0: allocated 64 MiB host memory buffer.",
    "nvme nvme0: Ignoring bogus Namespace Identifiers",
    "nvme nvme0: using unchecked data buffer",
    "nvme nvme0: restart after slot reset",
    "nvme nvme0: Abort status: 0x0",
    "nvme nvme0: failed to set APST feature (2)",  # the drive said no to an optional command
    "nvme nvme0: Does your device have a faulty power saving mode enabled?",
    'nvme nvme0: Try "nvme_core.default_ps_max_latency_us=0 pcie_aspm=off pcie_port_pm=off" and report a bug',
    "nvme0: Get Log Page(0x2), Invalid Field in Command (sct 0x0 / sc 0x2) DNR cdw10=0x7f00c0 cdw11=0x0",
    " nvme0n1: p1 p2 p3",
    "loop0: detected capacity change from 0 to 8",
    "sdb: detected capacity change from 30310400 to 0",  # a card taken out of its reader
    "nvme0n1: detected capacity change from 0 to 2000409264",
    "EXT4-fs (nvme0n1p3): mounted filesystem with ordered data mode. Quota mode: none.",
    "EXT4-fs error (device nvme0n1p3): ext4_lookup:1: comm I/O error: deleted inode referenced: 5",
    "BTRFS info (device nvme0n1p2): bdev /dev/nvme0n1p2 errs: wr 0, rd 0, flush 0, corrupt 5, gen 0",
    "ata1: SATA link down (SStatus 0 SControl 300)",
    "ata1: SATA link up 6.0 Gbps (SStatus 133 SControl 300)",
    "ata1: link is slow to respond, please be patient (ready=0)",
    "sd 0:0:0:0: [sda] Attached SCSI disk",
    "sd 0:0:0:0: [sda] tag#0 Sense Key : Illegal Request [current] ",
    "usb 2-3: USB disconnect, device number 2",
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


@pytest.mark.parametrize(
    ("message", "detail"),
    [
        (f"nvme nvme0: {DOWN}CSTS=0x3, PCI_STATUS=0x10", {"csts": "0x3", "pci_status": "0x10"}),
        (
            "nvme nvme0: I/O tag 641 (c281) opcode 0x1 (Write) QID 8 timeout, aborting req_op:WRITE(1) size:4096",
            {"tag": "641", "opcode": "0x1", "qid": "8", "action": "aborting", "operation": "WRITE", "size": "4096"},
        ),
        (
            "nvme0n1: Read(0x2) @ LBA 4096, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81) MORE DNR ",
            {"opcode": "0x2", "lba": "4096", "blocks": "8", "sct": "0x2", "sc": "0x81", "final": "DNR"},
        ),
        (
            "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2",
            {"status": "critical medium", "sector": "4096", "operation": "READ"},
        ),
        (
            "operation not supported error, dev nvme0n1, sector 8 op 0x9:(WRITE_ZEROES)",
            {"status": "operation not supported"},
        ),
    ],
)
def test_detail_is_kept_in_the_kernels_words(message: str, detail: dict[str, str]) -> None:
    event = classify(message)
    assert event is not None
    assert detail.items() <= event.detail.items()


@pytest.mark.parametrize(
    ("said", "silent", "gone"),
    [
        ("CSTS=0xffffffff, PCI_STATUS=0xffff", True, True),  # all ones in both: nothing answers there
        ("CSTS=0xffffffff, PCI_STATUS=0x10", True, False),  # the controller is silent, its config space is not
        ("CSTS=0xffffffff, PCI_STATUS read failed (134)", True, True),
        ("CSTS=0x3, PCI_STATUS=0x10", False, False),
    ],
)
def test_a_silent_controller_is_told_from_one_that_left_the_bus(said: str, silent: bool, gone: bool) -> None:  # noqa: FBT001
    event = classify(f"nvme nvme0: {DOWN}{said}")
    assert event is not None
    assert event.silent is silent
    assert event.config_space_gone is gone
