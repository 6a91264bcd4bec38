import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.block import (
    NAMESPACE_QUESTIONS,
    ask_namespace,
    name_namespace,
    parse_namespace,
    parse_size,
    parse_statistics,
)
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace
from laneproof_collectors.unread import Reason, Unread

ABSENT = Unread("x", "there is no such file (ENOENT)", Reason.ABSENT, "ENOENT")


def test_statistics_are_in_bytes_whatever_the_disks_own_block() -> None:
    # Documentation/block/stat.rst: sectors there are 512 bytes always
    line = b"  100  1  2000  30  40  2  5000  60  3  70  80  0  0  0  0  9  9\n"
    assert parse_statistics(line, what="stat") == BlockStatistics(
        reads=100,
        read_bytes=2000 * 512,
        read_milliseconds=30,
        writes=40,
        written_bytes=5000 * 512,
        write_milliseconds=60,
        in_flight=3,
        busy_milliseconds=70,
    )


def test_eleven_counts_of_early_kernels_are_enough() -> None:
    assert isinstance(parse_statistics(b"1 2 3 4 5 6 7 8 9 10 11\n", what="stat"), BlockStatistics)


@pytest.mark.parametrize(
    "raw", [b"", b"\n", b"1 2 3\n", b"1 2 3 4 5 6 7 8 9 10\n", b"1 2 3 4 -5 6 7 8 9 10 11", b"\xff" * 40]
)
def test_line_that_is_no_statistics_is_unread(raw: bytes) -> None:
    assert isinstance(parse_statistics(raw, what="/sys/block/nvme0n1/stat"), Unread)


def test_size_counts_sectors_of_512_bytes() -> None:
    assert parse_size(b"7814037168\n", what="size") == 4_000_787_030_016


@pytest.mark.parametrize("raw", [b"", b"many\n", b"-8\n"])
def test_size_that_is_none_is_unread(raw: bytes) -> None:
    assert isinstance(parse_size(raw, what="size"), Unread)


@pytest.mark.parametrize(
    ("node", "disk"),
    [
        ("nvme0n1", "nvme0n1"),
        ("nvme12n34", "nvme12n34"),
        ("nvme0c1n1", "nvme0n1"),  # one of several ways to the disk
        ("ng0n1", None),
        ("nvme0n1p2", None),
        ("hwmon3", None),
        ("power", None),
    ],
)
def test_folder_below_a_controller_names_its_disk(node: str, disk: str | None) -> None:
    assert name_namespace(node) == disk


def test_namespace_with_all_identifiers() -> None:
    answers = [
        b"1\n",
        b"16\n",
        b"4096\n",
        b"00 25 38 5b 71 b0 11 22 \n",
        b"6eda8be5-0001-0000-0025-385b71b01122\n",
        b"0f9a6b2e-9b0d-4b2f-8f0a-0d6c1a0e5a11\n",
        b"eui.0025385b71b01122\n",
        b"1 2 3 4 5 6 7 8 9 10 11\n",
    ]
    namespace = parse_namespace("nvme0n1", "/x/nvme0n1", answers)
    assert (namespace.number, namespace.size_bytes, namespace.logical_block_bytes) == (1, 8192, 4096)
    assert namespace.eui64 == "0025385b71b01122"
    assert namespace.nguid == "6eda8be5-0001-0000-0025-385b71b01122"
    assert namespace.uuid == "0f9a6b2e-9b0d-4b2f-8f0a-0d6c1a0e5a11"
    assert namespace.wwid == "eui.0025385b71b01122"
    assert isinstance(namespace.statistics, BlockStatistics)


def test_namespace_that_vanished_is_unread_field_by_field() -> None:
    assert len(ask_namespace("/x")) == NAMESPACE_QUESTIONS
    namespace = parse_namespace("nvme0n1", "/x", [ABSENT] * NAMESPACE_QUESTIONS)
    assert namespace == NvmeNamespace(
        name="nvme0n1", number=ABSENT, size_bytes=ABSENT, logical_block_bytes=ABSENT, statistics=None
    )


@given(st.lists(st.binary(max_size=80), min_size=NAMESPACE_QUESTIONS, max_size=NAMESPACE_QUESTIONS))
def test_any_bytes_make_a_namespace(answers: list[bytes]) -> None:
    assert isinstance(parse_namespace("nvme0n1", "/x", answers), NvmeNamespace)
