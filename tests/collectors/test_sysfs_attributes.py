"""Single values of sysfs: any bytes give a value or a reason."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.sysfs_attributes import (
    is_absent,
    parse_integer,
    parse_switch,
    parse_text,
    read_linked,
    unless_absent,
)
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, replay
from support.unread_answers import unread

ABSENT = Unread("/sys/x", "there is no such file (ENOENT)", Reason.ABSENT, "ENOENT")
DENIED = Unread("/sys/x", "permission denied (EACCES)", Reason.DENIED, "EACCES")


@pytest.mark.parametrize(
    ("raw", "base", "number"),
    [(b"12\n", 10, 12), (b"-1\n", 10, -1), (b" 7 ", 10, 7), (b"0x1b36\n", 16, 0x1B36), (b"0x10", 0, 16)],
)
def test_a_number_is_read(raw: bytes, base: int, number: int) -> None:
    assert parse_integer(raw, what="x", base=base) == number


@pytest.mark.parametrize("raw", [b"", b"\n", b"1_000", b"12 V", b"0x10", b"\xff", b"9" * 5000, "\u0661".encode()])
def test_what_is_no_number_says_so(raw: bytes) -> None:
    answer = unread(parse_integer(raw, what="/sys/x"))
    assert (answer.what, answer.reason) == ("/sys/x", Reason.MALFORMED)


@pytest.mark.parametrize(("raw", "value"), [(b"0\n", False), (b"1\n", True)])
def test_a_switch_is_read(raw: bytes, *, value: bool) -> None:
    assert parse_switch(raw, what="x") is value


def test_a_switch_knows_two_positions() -> None:
    assert isinstance(parse_switch(b"2\n", what="x"), Unread)
    assert isinstance(parse_switch(b"on\n", what="x"), Unread)


def test_a_failed_reading_passes_through() -> None:
    assert parse_text(DENIED) is parse_integer(DENIED, what="x") is parse_switch(DENIED, what="x") is DENIED
    assert unless_absent(DENIED) is DENIED
    assert not is_absent(DENIED)


def test_what_is_absent_becomes_none() -> None:
    assert unless_absent(ABSENT) is None
    assert unless_absent(0) == 0


def test_a_folder_of_links_is_reported_by_its_links(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {"/sys/d/0000:00:01.0": "-> ../x", "/sys/d/bind": "", "/sys/d/new_id": ""})
    live, replayed = replay(machine, lambda host: read_linked(host, "/sys/d"))
    assert replayed == live == ("0000:00:01.0",)
    assert is_absent(read_linked(machine, "/sys/none"))


@given(st.binary())
def test_any_bytes_give_a_value_or_a_reason(raw: bytes) -> None:
    assert isinstance(parse_text(raw), str)
    assert isinstance(parse_integer(raw, what="x"), int | Unread)
    assert isinstance(parse_switch(raw, what="x"), bool | Unread)
