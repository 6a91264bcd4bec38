"""Rows are found by a message's first word, and only where the message begins with what the row says."""

import pytest

from laneproof_collectors.kernel_log import aer, arrays_and_bonds, block_layer, host_bridges, nvme, pcie, scsi
from laneproof_collectors.kernel_log.formats import EventKind, Format, by_opening, find_format, opening_of, row
from support.unread_answers import known

TABLES = {
    "function": pcie.FUNCTION_FORMATS,
    "host": host_bridges.HOST_FORMATS,
    "firmware": aer.FIRMWARE_FORMATS,
    "controller": nvme.CONTROLLER_FORMATS,
    "disk": nvme.DISK_FORMATS,
    "line": block_layer.LINE_FORMATS,
    "ata": scsi.ATA_FORMATS,
    "scsi": scsi.SCSI_FORMATS,
    "array": arrays_and_bonds.ARRAY_FORMATS,
    "member": arrays_and_bonds.MEMBER_FORMATS,
    "named": arrays_and_bonds.NAMED_FORMATS,
}


@pytest.mark.parametrize(
    ("text", "opening"),
    [
        ("controller is down", "controller"),
        ("I/O 5 QID 2 timeout", "I/O"),
        ("can't change", "can't"),
        ("Slot(5): Link Down", "Slot"),
        ("aer_status: 0x1", "aer_status"),
        ("8.000 Gb/s", "#"),
        ("[12] Timeout", "["),
        ("(slave eth0): x", "("),
        ("", ""),
    ],
)
def test_a_message_is_found_by_its_first_word(text: str, opening: str) -> None:
    assert opening_of(text) == opening


def test_rows_of_one_opening_keep_their_order() -> None:
    first = row(EventKind.LINK_DOWN, "link", r"link down now", "a.c")
    second = row(EventKind.LINK_UP, "link Link", r"link", "b.c")
    table = by_opening(first, second)
    assert table["link"] == (first, second)
    assert table["Link"] == (second,)
    assert known(find_format(table, "link down now"))[1] is EventKind.LINK_DOWN


def test_what_a_judge_finds_harmless_is_passed_on_to_the_next_row() -> None:
    table = by_opening(row(lambda _: None, "x", r"x", "a.c"), row(EventKind.DPC, "x", r"x (?P<who>\w+)", "b.c", by="b"))
    assert known(find_format(table, "x y"))[1:] == (EventKind.DPC, {"by": "b", "who": "y"})


@pytest.mark.parametrize("name", TABLES)
def test_every_row_names_its_source(name: str) -> None:
    rows: set[int] = set()
    for table_rows in TABLES[name].values():
        for form in table_rows:
            assert isinstance(form, Format)
            assert ".c" in form.source or "drivers/" in form.source
            rows.add(id(form))
    assert rows


def test_the_kinds_are_those_of_the_contract() -> None:
    assert {str(kind) for kind in EventKind} == {
        "controller_down",
        "io_timeout",
        "device_removed",
        "probe_failed",
        "aer_correctable",
        "aer_uncorrectable",
        "link_down",
        "link_up",
        "bandwidth_limited",
        "dpc",
        "media_error",
        "io_error",
        "array_degraded",
        "bond_link_down",
    }
