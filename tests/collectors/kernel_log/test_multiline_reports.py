"""Whatever the kernel prints about one error is one event, under the device that erred."""

import pytest

from laneproof_collectors.kernel_log.classification import classify
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.multiline_reports import (
    RECOVERY_SECONDS,
    REPORT_SECONDS,
    Reports,
    TimedKernelEvent,
)
from laneproof_collectors.kernel_log.records import KernelRecord

PORT, DRIVE = "0000:00:1c.0", "0000:03:00.0"


def reports(*lines: tuple[float, str] | str) -> list[TimedKernelEvent]:
    """Join lines; one without a time of its own comes a moment after the one before."""
    joined, now = Reports(), 100.0
    for at, line in enumerate(lines):
        now, text = (100.0 + line[0], line[1]) if isinstance(line, tuple) else (now + 0.000_01, line)
        record = KernelRecord(priority=4, facility=0, sequence=at, up_seconds=now, text=text)
        if "[Hardware Error]" in text:
            joined.add_firmware(record)
        if event := classify(text):
            joined.add(record, event)
    return joined.events


# Whole reports as the kernel prints them: drivers/pci/pcie/aer.c, err.c, dpc.c, edr.c, drivers/firmware/efi/cper.c.
ONE_REPORT = {
    "4.19 fatal": (
        (
            f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: id=0300",
            f"nvme {DRIVE}: PCIe Bus Error: severity=Uncorrected (Fatal), type=Transaction Layer, id=0300(Receiver ID)",
            f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00040000/00000000",
            f"nvme {DRIVE}:    [18] Malformed TLP          (First)",
            f"nvme {DRIVE}:   TLP Header: 00000001 0000220f 3e840000 00000000",
            f"pcieport {PORT}: AER: Device recovery failed",
        ),
        EventKind.AER_UNCORRECTABLE,
        DRIVE,
        {"severity": "fatal", "bits": "MalfTLP", "recovery": "failed"},
    ),
    "5.10 non-fatal, of a bit that both registers have": (
        (
            f"pcieport {PORT}: AER: Multiple Uncorrected (Non-Fatal) error received: {DRIVE}",
            f"nvme {DRIVE}: PCIe Bus Error: severity=Uncorrected (Non-Fatal), type=Transaction Layer, (Receiver ID)",
            f"nvme {DRIVE}: AER:   device [1b36:0010] error status/mask=00001000/00000000",
            f"nvme {DRIVE}: AER:    [12] TLP                    (First)",
            f"nvme {DRIVE}: AER:   TLP Header: 4a004010 00000040 01000000 ffffffff",
            f"nvme {DRIVE}: AER: can't recover (no error_detected callback)",
            f"pcieport {PORT}: AER: subordinate device reset failed",
            f"pcieport {PORT}: AER: device recovery failed",
        ),
        EventKind.AER_UNCORRECTABLE,
        DRIVE,
        {"severity": "nonfatal", "bits": "TLP", "multiple": "yes", "reset": "failed", "recovery": "failed"},
    ),
    "6.12 correctable, of a bit that both registers have": (
        (
            f"pcieport {PORT}: AER: Multiple Correctable error message received from {DRIVE}",
            f"nvme {DRIVE}: PCIe Bus Error: severity=Correctable, type=Transaction Layer, (Receiver ID)",
            f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00004000/00000000",
            f"nvme {DRIVE}:    [14] CorrIntErr            ",
        ),
        EventKind.AER_CORRECTABLE,
        DRIVE,
        {"severity": "correctable", "bits": "CorrIntErr", "multiple": "yes"},
    ),
    "6.12 of a device that cannot be read": (
        (
            f"pcieport {PORT}: AER: Uncorrectable (Fatal) error message received from {DRIVE}",
            f"nvme {DRIVE}: PCIe Bus Error: severity=Uncorrectable (Fatal), type=Inaccessible, (Unregistered Agent ID)",
        ),
        EventKind.AER_UNCORRECTABLE,
        DRIVE,
        {"severity": "fatal", "layer": "Inaccessible"},
    ),
    "6.12 that no device admits": (
        (
            f"pcieport {PORT}: AER: Correctable error message received from {DRIVE}",
            f"pcieport {PORT}: AER: found no error details for {DRIVE}",
        ),
        EventKind.AER_CORRECTABLE,
        DRIVE,
        {"severity": "correctable"},
    ),
    "5.10 containment handed over by the firmware": (
        (
            f"pcieport {PORT}: EDR: EDR event received",
            f"pcieport {PORT}: DPC: containment event, status:0x0005 source:0x3400",
            f"pcieport {PORT}: DPC: ERR_FATAL detected",
            f"pcieport {PORT}: AER: device recovery successful",
        ),
        EventKind.DPC,
        PORT,
        {"status": "0x0005", "reason": "ERR_FATAL"},
    ),
    "6.16 containment handed over by the firmware": (
        (
            f"pcieport {PORT}: EDR: EDR event received",
            f"pcieport {PORT}: DPC: containment event, status:0x000d, ERR_FATAL received from {DRIVE}",
        ),
        EventKind.DPC,
        DRIVE,
        {"status": "0x000d", "received": "ERR_FATAL"},
    ),
    "5.10 containment of a root port's own request": (
        (
            f"pcieport {PORT}: DPC: containment event, status:0x1f07 source:0x0000",
            f"pcieport {PORT}: DPC: RP PIO error detected",
            f"pcieport {PORT}: DPC: rp_pio_status: 0x00010000, rp_pio_mask: 0x00000303",
            f"pcieport {PORT}: DPC: RP PIO severity=0x00010000, syserror=0x00000000, exception=0x00000000",
            f"pcieport {PORT}: DPC: [16] Memory Request received UR Completion (First)",
            f"pcieport {PORT}: AER: device recovery failed",
        ),
        EventKind.DPC,
        PORT,
        {"rp_pio_status": "0x00010000", "recovery": "failed"},
    ),
    "6.12 seen by the firmware first": (
        (
            "{1}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 514",
            "{1}[Hardware Error]: event severity: recoverable",
            "{1}[Hardware Error]:  Error 0, type: recoverable",
            "{1}[Hardware Error]:   section_type: PCIe error",
            f"{{1}}[Hardware Error]:   device_id: {DRIVE}",
            "{1}[Hardware Error]:   aer_uncor_status: 0x00001000, aer_uncor_mask: 0x00000000",
            "{1}[Hardware Error]:   TLP Header: 00000001 0000220f 3e840000 00000000",
            f"nvme {DRIVE}: AER: aer_status: 0x00001000, aer_mask: 0x00000000",
            f"nvme {DRIVE}: AER:    [12] TLP                    (First)",
            f"nvme {DRIVE}: AER: aer_layer=Transaction Layer, aer_agent=Receiver ID",
            f"nvme {DRIVE}: AER: aer_uncor_severity: 0x004e2030",
        ),
        EventKind.AER_UNCORRECTABLE,
        DRIVE,
        {"severity": "nonfatal", "bits": "TLP", "seen_by": "firmware"},
    ),
}


@pytest.mark.parametrize("name", ONE_REPORT)
def test_a_whole_report_is_one_event(name: str) -> None:
    lines, kind, device, detail = ONE_REPORT[name]
    (one,) = reports(*lines)
    assert (one.event.kind, one.event.device) == (kind, device)
    assert detail.items() <= one.event.detail.items()


def test_a_bit_s_name_corrects_a_register_that_was_guessed() -> None:
    # The first lines were dropped by the kernel's limit of rate; bit 12 alone is taken for the correctable one.
    status = f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00001000/00000000"
    (guessed,) = reports(status)
    assert guessed.event.kind is EventKind.AER_CORRECTABLE
    (one,) = reports(status, f"nvme {DRIVE}:    [12] TLP                    (First)")
    assert (one.event.kind, one.event.detail["bits"]) == (EventKind.AER_UNCORRECTABLE, "TLP")


def test_a_status_that_is_told_apart_by_itself_keeps_its_register() -> None:
    events = reports(
        f"pcieport {PORT}: AER: Correctable error message received from {DRIVE}",
        f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00040000/00000000",
    )
    assert [event.event.kind for event in events] == [EventKind.AER_CORRECTABLE, EventKind.AER_UNCORRECTABLE]


def test_a_recovery_may_take_as_long_as_the_kernel_waits() -> None:
    received = f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {DRIVE}"
    failed = f"pcieport {PORT}: AER: device recovery failed"
    (one,) = reports((0.0, received), (RECOVERY_SECONDS - 1, failed))
    assert (one.event.device, one.event.detail["recovery"]) == (DRIVE, "failed")
    assert [late.event.device for late in reports((0.0, received), (RECOVERY_SECONDS + 1, failed))] == [DRIVE, PORT]


def test_each_error_has_its_own_recovery() -> None:
    other = "0000:04:00.0"
    failed = f"pcieport {PORT}: AER: device recovery failed"
    events = reports(
        f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {DRIVE}",
        failed,
        f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {other}",
        failed,
    )
    assert [(event.event.device, event.lines) for event in events] == [(DRIVE, 2), (other, 2)]


def test_a_correctable_error_has_no_recovery() -> None:
    events = reports(
        f"pcieport {PORT}: AER: Corrected error received: {DRIVE}", f"pcieport {PORT}: AER: device recovery failed"
    )
    assert [event.event.device for event in events] == [DRIVE, PORT]


def test_a_port_s_own_error_after_a_drive_s_is_an_event_of_its_own() -> None:
    events = reports(
        f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {DRIVE}",
        f"pcieport {PORT}: AER: device recovery failed",
        f"pcieport {PORT}: PCIe Bus Error: severity=Uncorrected (Fatal), type=Data Link Layer, (Receiver ID)",
    )
    assert [event.event.device for event in events] == [DRIVE, PORT]


def test_a_second_error_of_a_device_at_once_is_an_event_of_its_own() -> None:
    line = f"nvme {DRIVE}: PCIe Bus Error: severity=Correctable, type={{}} Layer, (Receiver ID)"
    events = reports(line.format("Physical"), line.format("Data Link"))
    assert [event.event.detail["layer"] for event in events] == ["Physical Layer", "Data Link Layer"]


def test_what_the_firmware_announced_long_ago_is_no_part_of_a_containment() -> None:
    events = reports(
        (0.0, f"pcieport {PORT}: EDR: EDR event received"),
        (REPORT_SECONDS * 2, f"pcieport {PORT}: DPC: containment event, status:0x0005 source:0x3400"),
    )
    assert len(events) == 2


def test_a_record_of_several_lines_is_one_line_of_the_log() -> None:
    (one,) = reports(
        "md/raid1:md0: Disk failure on sda1, this is the last device.\n"
        "md/raid1:md0: Cannot continue operation (2/2 failed)."
    )
    assert (one.lines, one.event.detail["failed"]) == (1, "2")
