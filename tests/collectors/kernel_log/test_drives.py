"""What the kernel says of drives, by version; the source file of each format stands beside it.

Formats were taken from the kernel's source; the values in them are made up.
"""

import pytest

from laneproof_collectors.kernel_log.lines import classify

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
    ("6.1", "core.c", "nvme nvme0: Could not set queue count (16391)", "probe_failed", "nvme0"),
    ("6.1", "core.c", "nvme nvme0: Reading CRTO failed (-19)", "probe_failed", "nvme0"),
    ("6.1", "core.c", "nvme nvme1: globally duplicate IDs for nsid 1", "probe_failed", "nvme1"),
    ("6.12", "core.c", "nvme nvme1: ignoring nsid 1 because of duplicate IDs", "probe_failed", "nvme1"),
    ("6.12", "core.c", "nvme nvme1: duplicate IDs in subsystem for nsid 1", "probe_failed", "nvme1"),
    ("6.1", "multipath.c", "nvme nvme0: ANATT timeout, resetting controller.", "controller_down", "nvme0"),
    ("6.1", "pci.c", "nvme nvme0: invalid id 24576 completed on queue 3", "io_error", "nvme0"),
    ("5.10", "pci.c", "nvme nvme0: failed to mark controller live state", "controller_down", "nvme0"),
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
    (
        "6.1",
        "blk-core.c",
        "kworker/u8:1: attempt to access beyond end of device\nnvme0n1p2: rw=1, sector=8, nr_sectors = 8 limit=0",
        "io_error",
        "nvme0n1p2",
    ),
    ("5.10", "blk-core.c", "nvme0n1p2: rw=2049, want=2064, limit=0", "io_error", "nvme0n1p2"),
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
    "nvme nvme0: D3 entry latency set to 8 seconds",
    "nvme nvme0: clearing duplicate IDs for nsid 1",
    "nvme nvme0: controller reset completed after pcie flr",
    "nvme nvme0: resetting controller",  # somebody asked for it
    "nvme nvme0: async event result 00010300",
    "nvme nvme0: rescanning namespaces.",
    "nvme nvme0: failed to allocate host memory buffer.",
    "nvme 0000:03:00.0: platform quirk: setting simple suspend",
    "nvme nvme0: VID:DID 1b36:0010 model:Kelp Drive firmware:1.0",
    "block nvme0n1: no usable path - requeuing I/O",
    "mke2fs: attempt to access beyond end of device\nnvme0n1p2: rw=0, sector=9, nr_sectors = 8 limit=8",
    "nvme nvme0: Abort status: 0x0",
    "nvme nvme0: failed to set APST feature (2)",  # the drive said no to an optional command
    "nvme nvme0: Does your device have a faulty power saving mode enabled?",
    'nvme nvme0: Try "nvme_core.default_ps_max_latency_us=0 pcie_aspm=off pcie_port_pm=off" and report a bug',
    "nvme0: Get Log Page(0x2), Invalid Field in Command (sct 0x0 / sc 0x2) DNR cdw10=0x7f00c0 cdw11=0x0",
    " nvme0n1: p1 p2 p3",
    "loop0: detected capacity change from 0 to 8",
    "sdb: detected capacity change from 30310400 to 0",  # a card taken out of its reader
    "nvme0n1: detected capacity change from 0 to 2000409264",
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
