"""A record is parsed whole or refused with a reason; who wrote it is taken on no one's word."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.kernel_log.records import KernelRecord, parse_journal_record, parse_record, unescape
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known, unread


def journal(**fields: Any) -> KernelRecord:
    entry = {"_TRANSPORT": "kernel", "SYSLOG_FACILITY": "0", "PRIORITY": "4", "MESSAGE": "x"} | fields
    return known(parse_journal_record(json.dumps(entry)))


def test_the_examples_of_the_kernel_s_own_document_are_understood() -> None:
    # Documentation/ABI/testing/dev-kmsg
    first = known(
        parse_record(
            "7,160,424069,-;pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)\n SUBSYSTEM=acpi\n"
            " DEVICE=+acpi:PNP0A03:00\n"
        )
    )
    assert (first.priority, first.facility, first.sequence, first.up_seconds) == (7, 0, 160, 0.424069)
    assert first.text == "pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)"
    assert first.device == "+acpi:PNP0A03:00"
    second = known(parse_record("6,339,5140900,-;NET: Registered protocol family 10"))
    assert (second.sequence, second.device) == (339, "")
    third = known(parse_record("30,340,5690716,-;udevd[80]: starting version 181"))
    assert (third.priority, third.facility) == (6, 3)


@pytest.mark.parametrize("more", [",-,caller=T123,somenew=x", ",c", ""])  # kernels to 3.4 had no flags
def test_fields_that_came_later_and_ones_that_may_yet_come_are_tolerated(more: str) -> None:
    assert known(parse_record(f"4,7,1000000{more};text")).text == "text"


def test_escapes_are_undone() -> None:
    assert unescape(r"one\x0atwo \x5c \xc3\xa9") == "one\ntwo \\ é"
    assert unescape(r"\xff") == r"\xff"  # no UTF-8: it stays as the kernel showed it
    assert unescape(r"\x5cx41") == r"\x41"  # an escaped backslash begins nothing
    assert known(parse_record(r"4,7,1,-;a\x0ab")).text == "a\nb"


@pytest.mark.parametrize(
    "record", ["", ";", "4;text", "4,7;text", "x,7,1,-;text", "4,7,1,-", "-1,7,1,-;x", "4,\u0667,1,-;x"]
)
def test_what_is_no_record_is_unread(record: str) -> None:
    assert unread(parse_record(record)).reason is Reason.MALFORMED


@given(st.text())
def test_any_text_gives_a_record_or_a_reason(text: str) -> None:
    assert isinstance(parse_record(text), KernelRecord | Unread)
    assert isinstance(parse_record("4,7,1,-;" + text), KernelRecord)
    assert isinstance(parse_journal_record(text), KernelRecord | Unread)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists, max_leaves=4))
def test_a_journal_field_of_any_form_gives_a_record_or_a_reason(value: object) -> None:
    for name in ("MESSAGE", "PRIORITY", "_TRANSPORT", "__REALTIME_TIMESTAMP", "_BOOT_ID"):
        entry = json.dumps({"_TRANSPORT": "kernel", "MESSAGE": "x", name: value})
        assert isinstance(parse_journal_record(entry), KernelRecord | Unread)


def test_a_journal_entry_is_understood() -> None:
    record = journal(
        MESSAGE="nvme nvme0: x",
        __REALTIME_TIMESTAMP="1730000000123456",
        _SOURCE_MONOTONIC_TIMESTAMP="5140900",
        __MONOTONIC_TIMESTAMP="6000000",
        _BOOT_ID="0123456789abcdef0123456789abcdef",
        _KERNEL_DEVICE="+pci:0000:01:00.0",
    )
    assert record == KernelRecord(
        priority=4,
        facility=0,
        sequence=None,
        up_seconds=5.1409,
        text="nvme nvme0: x",
        device="+pci:0000:01:00.0",
        boot_id="0123456789abcdef0123456789abcdef",
        unix_seconds=1730000000.123456,
    )


def test_a_journal_message_may_be_a_list_of_bytes() -> None:
    # systemd, Journal Export Formats: fields with other than clean UTF-8 are arrays of numbers
    assert journal(MESSAGE=list(b"md: caf\xc3\xa9\x01")).text == "md: café\x01"
    assert journal(MESSAGE=list(b"\xff")).text == r"\xff"
    assert journal(MESSAGE=["one", "two"]).text == "one"


@pytest.mark.parametrize(
    "line",
    [
        "{",
        "[]",
        "7",
        '{"_TRANSPORT":"kernel"}',
        '{"MESSAGE":null}',
        '{"MESSAGE":[1,999]}',
        '{"MESSAGE":[1.5]}',
        "[" * 99_999,
    ],
)
def test_what_is_no_journal_entry_is_unread(line: str) -> None:
    assert isinstance(parse_journal_record(line), Unread)


@pytest.mark.parametrize(
    "fields",
    [
        {"_TRANSPORT": "syslog"},  # logger -p kern.err, and a program that claims facility 0
        {"_TRANSPORT": "journal"},
        {"_TRANSPORT": None},
        {"SYSLOG_FACILITY": "3"},  # a program that wrote to /dev/kmsg
    ],
)
def test_a_journal_entry_that_the_kernel_did_not_write_has_another_facility(fields: dict[str, object]) -> None:
    assert journal(**fields).facility != 0
