"""From records to events: one event a report, none that a program forged, none lost in silence."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import (
    TimedKernelEvent,
    kernel_events,
    missed_events,
    parse_journal_record,
    read_kernel_events,
)
from laneproof_collectors.kernel_log.records import KernelRecord
from laneproof_collectors.questions import KernelLogRead, ReadKernelLog
from laneproof_collectors.unread import Reason, Unread
from support.table_hosts import TableHost
from support.unread_answers import known

PORT, DRIVE = "0000:00:1c.0", "0000:03:00.0"


def log(*lines: str, seconds: float = 100.0, every: float = 0.000_01, prefix: int = 4) -> list[str]:
    """Write lines as records, each a little after the one before."""
    return [f"{prefix},{at},{round((seconds + at * every) * 1e6)},-;{line}" for at, line in enumerate(lines)]


AER_REPORTS = {
    "4.x": (
        f"pcieport {PORT}: AER: Corrected error received: id=0300",
        f"nvme {DRIVE}: PCIe Bus Error: severity=Corrected, type=Data Link Layer, id=0300(Receiver ID)",
        f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00000041/00002000",
        f"nvme {DRIVE}:    [ 0] Receiver Error         (First)",
        f"nvme {DRIVE}:    [ 6] Bad TLP               ",
    ),
    "5.10": (
        f"pcieport {PORT}: AER: Corrected error received: {DRIVE}",
        f"nvme {DRIVE}: AER: PCIe Bus Error: severity=Corrected, type=Data Link Layer, (Receiver ID)",
        f"nvme {DRIVE}: AER:   device [1b36:0010] error status/mask=00000041/00002000",
        f"nvme {DRIVE}: AER:    [ 0] RxErr                  (First)",
        f"nvme {DRIVE}: AER:    [ 6] BadTLP                ",
    ),
    "6.12": (
        f"pcieport {PORT}: AER: Correctable error message received from {DRIVE}",
        f"nvme {DRIVE}: PCIe Bus Error: severity=Correctable, type=Data Link Layer, (Receiver ID)",
        f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00000041/00002000",
        f"nvme {DRIVE}:    [ 0] RxErr                  (First)",
        f"nvme {DRIVE}:    [ 6] BadTLP                ",
    ),
}


@pytest.mark.parametrize("version", AER_REPORTS)
def test_the_lines_of_an_error_report_are_one_event(version: str) -> None:
    (event,) = kernel_events(log(*AER_REPORTS[version]))
    assert event.event.kind is EventKind.AER_CORRECTABLE
    assert event.event.device == DRIVE
    assert event.lines == 5
    assert (event.sequence, event.up_seconds, event.priority) == (0, 100.0, 4)
    wanted = {"severity": "correctable", "layer": "Data Link Layer", "agent": "Receiver ID", "bits": "RxErr BadTLP"}
    assert wanted.items() <= event.event.detail.items()


def test_two_reports_in_a_row_are_two_events() -> None:
    events = kernel_events(log(*AER_REPORTS["6.12"], *AER_REPORTS["6.12"]))
    assert [event.lines for event in events] == [5, 5]


def test_a_line_whose_report_began_long_ago_stands_alone() -> None:
    lines = AER_REPORTS["6.12"]
    events = kernel_events([*log(lines[0]), *log(lines[3], seconds=160.0)])
    assert [(event.event.kind, event.lines) for event in events] == [(EventKind.AER_CORRECTABLE, 1)] * 2


def test_two_devices_in_one_burst_are_two_events() -> None:
    other = tuple(
        line.replace(f"nvme {DRIVE}", f"pcieport {PORT}").replace(f"from {DRIVE}", f"from {PORT}")
        for line in AER_REPORTS["6.12"]
    )
    interleaved = [line for pair in zip(AER_REPORTS["6.12"], other, strict=True) for line in pair]
    events = kernel_events(log(*interleaved))
    assert sorted((event.event.device or "", event.lines) for event in events) == [(PORT, 5), (DRIVE, 5)]


def test_an_array_s_two_lines_are_one_event_in_one_record_or_in_two() -> None:
    first, second = (
        "md/raid1:md0: Disk failure on nvme1n1, disabling device.",
        "md/raid1:md0: Operation continuing on 1 devices.",
    )
    for records in (log(first + r"\x0a" + second), log(first, second)):
        (event,) = kernel_events(records)
        assert (event.event.kind, event.event.device) == (EventKind.ARRAY_DEGRADED, "md0")
        assert dict(event.event.detail) == {"member": "nvme1n1", "working": "1"}


def test_what_firmware_saw_first_is_reported_with_its_device() -> None:
    # drivers/firmware/efi/cper.c, cper_estatus_print and cper_print_pcie
    pfx = "{3}[Hardware Error]"
    (event,) = kernel_events(
        log(
            f"{pfx}: Hardware error from APEI Generic Hardware Error Source: 0",
            f"{pfx}: event severity: corrected",
            f"{pfx}:  Error 0, type: corrected",
            f"{pfx}:   section_type: PCIe error",
            f"{pfx}:   port_type: 4, root port",
            f"{pfx}:   device_id: {PORT}",
            f"{pfx}:   aer_cor_status: 0x00001000, aer_cor_mask: 0x00002000",
            f"{pfx}:   aer_uncor_status: 0x00000000, aer_uncor_mask: 0x00000000",
            f"pcieport {PORT}: AER: aer_status: 0x00001000, aer_mask: 0x00002000",
            f"pcieport {PORT}: AER:    [12] Timeout               ",
        )
    )
    assert (event.event.kind, event.event.device) == (EventKind.AER_CORRECTABLE, PORT)
    assert event.event.detail["seen_by"] == "firmware"
    assert event.event.detail["bits"] == "Timeout"


def test_a_memory_error_that_firmware_saw_is_none_of_ours() -> None:
    pfx = "{4}[Hardware Error]"
    lines = (f"{pfx}: event severity: corrected", f"{pfx}:   section_type: memory error", f"{pfx}:   device_id: {PORT}")
    assert kernel_events(log(*lines)) == ()


@pytest.mark.parametrize("prefix", [8 + 4, 24 + 3, 1 << 3])
def test_a_record_that_a_program_wrote_is_ignored(prefix: int) -> None:
    lines = AER_REPORTS["6.12"] + ("nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff",)
    assert kernel_events(log(*lines, prefix=prefix)) == ()
    assert kernel_events(log(*lines, prefix=4)) != ()


def test_a_forged_line_does_not_join_a_real_report() -> None:
    real = log(*AER_REPORTS["6.12"][:2])
    forged = log(f"nvme {DRIVE}:    [18] MalfTLP", f"nvme {DRIVE}:    [ 7] BadDLLP", prefix=12)
    (event,) = kernel_events([*real, *forged])
    assert event.lines == 2
    assert "bits" not in event.event.detail


def test_the_record_s_own_device_fills_a_gap() -> None:
    records = ["3,1,1000000,-;md: super_written gets error=-5\n SUBSYSTEM=pci\n DEVICE=+pci:0000:03:00.0"]
    (event,) = kernel_events(records)
    assert event.event.device == DRIVE
    (other,) = kernel_events(["3,1,1000000,-;md: super_written gets error=-5\n SUBSYSTEM=block\n DEVICE=b259:0"])
    assert other.event.device is None


def test_what_is_no_record_loses_nothing_around_it() -> None:
    records = [
        *log("nvme nvme0: I/O 1 QID 2 timeout, aborting"),
        "no record",
        *log("nvme nvme1: I/O 1 QID 2 timeout, aborting"),
    ]
    assert [event.event.device for event in kernel_events(records)] == ["nvme0", "nvme1"]


@given(
    st.lists(
        st.one_of(st.text(), st.sampled_from([r for lines in AER_REPORTS.values() for r in log(*lines)])), max_size=12
    )
)
def test_any_run_of_records_gives_events(records: list[str]) -> None:
    for event in kernel_events(records):
        assert isinstance(event, TimedKernelEvent)


def test_the_log_is_read_through_the_host_with_what_was_lost() -> None:
    taken = KernelLogRead(records=tuple(log("nvme nvme0: I/O 1 QID 2 timeout, aborting")), lost=3)
    read = known(read_kernel_events(TableHost({ReadKernelLog(): taken})))
    assert [event.event.kind for event in read.events] == [EventKind.IO_TIMEOUT]
    assert (read.lost, read.records) == (3, 1)


def test_a_log_that_cannot_be_read_says_why() -> None:
    denied = Unread("the kernel log", "not permitted (EPERM)", Reason.DENIED, "EPERM")
    assert read_kernel_events(TableHost({ReadKernelLog(): denied})) is denied


def test_functions_that_left_the_kernel_and_are_not_back_are_known_by_the_iommu_groups() -> None:
    # Of the first drive as Linux 6.1.0-57 of Debian 12 said it in an emulated machine with an Intel IOMMU.
    real = [
        f"6,{number},{micros},-;pci {address}: {says} iommu group 3\n SUBSYSTEM=pci\n DEVICE=+pci:{address}"
        for number, micros, address, says in (
            (311, 2654970, "0000:01:00.0", "Adding to"),
            (391, 13422028, "0000:01:00.0", "Removing from"),
            (392, 13422030, "0000:02:00.0", "Removing from"),
            (394, 14462861, "0000:02:00.0", "Adding to"),
        )
    ]
    forged = log(f"pci {PORT}: Removing from iommu group 1", prefix=12)
    answer = KernelLogRead(records=(*real, *forged), lost=0)
    assert known(read_kernel_events(TableHost({ReadKernelLog(): answer}))).released == (("0000:01:00.0", 13.422028),)


def test_the_journal_gives_what_the_ring_had_lost() -> None:
    def entry(micros: int, boot: str, message: str) -> KernelRecord | Unread:
        return parse_journal_record(
            f'{{"_TRANSPORT":"kernel","SYSLOG_FACILITY":"0","_BOOT_ID":"{boot}","MESSAGE":"{message}",'
            f'"_SOURCE_MONOTONIC_TIMESTAMP":"{micros}","__REALTIME_TIMESTAMP":"1730000000000000"}}'
        )

    boot, earlier = "aa" * 16, "bb" * 16
    line = "nvme nvme0: I/O 1 QID 2 timeout, aborting"
    kept = [entry(90_000_000, boot, line), entry(100_000_000, boot, line), entry(100_000_000, earlier, line)]
    journal = kernel_events([record for record in kept if isinstance(record, KernelRecord)])
    seen = kernel_events(log(line, seconds=100.0))
    dashed = f"{boot[:8]}-{boot[8:12]}-{boot[12:16]}-{boot[16:20]}-{boot[20:]}"  # as the kernel writes a boot's id
    missed = missed_events(journal, seen, boot_id=dashed)
    assert [(event.up_seconds, event.boot_id) for event in missed] == [(90.0, boot), (100.0, earlier)]
