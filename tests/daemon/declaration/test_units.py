import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.declaration.units import format_bytes, format_range, is_same_capacity, parse_bytes, parse_rate


@pytest.mark.parametrize(
    ("text", "size_bytes"),
    [
        # IEC 80000-13 and the International System of Units: decimal and binary prefixes
        ("4 TB", 4 * 10**12),
        ("64 GiB", 64 * 2**30),
        ("1.92TB", 1_920_000_000_000),
        (" 512 B ", 512),
        ("1 kB", 1000),
        ("1 KiB", 1024),
        ("0.5 MiB", 524_288),
        (4096, 4096),
        (0, 0),
    ],
)
def test_size_is_read(text: str | int, size_bytes: int) -> None:
    assert parse_bytes(text) == size_bytes


@pytest.mark.parametrize(
    "text",
    ["", "4", "TB", "4 tb", "4 TiBs", "-4 TB", "4,5 TB", "1e3 GB", "٤ TB", -1, True, 10**30, "999999999999999999 EB"],
)
def test_what_is_no_size_is_refused_with_the_way_to_write_it(text: str | int) -> None:
    with pytest.raises(ValueError, match=r"size"):
        parse_bytes(text)


def test_rate_is_a_size_and_a_second() -> None:
    assert parse_rate("7 GB/s") == 7_000_000_000
    assert parse_rate("550 MB / s") == 550_000_000
    assert parse_rate(1_000) == 1_000


@pytest.mark.parametrize("text", ["7 GB", "7 GB/h", "/s", "fast", True])
def test_what_is_no_rate_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no (rate|size)"):
        parse_rate(text)


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (4 * 10**12, "4 TB"),
        (1_920_383_410_176, "1.92 TB"),
        (1_234_567_890_123, "1.23 TB"),
        (999_999_999, "1 GB"),
        (10**15, "1 PB"),
    ],
)
def test_size_is_written_short(size_bytes: int, text: str) -> None:
    assert format_bytes(size_bytes) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(5.04e9, 6.99e9, "5 to 7 GB/s"), (0.63e9, 1.2e9, "630 MB/s to 1.2 GB/s"), (2e9, 2.02e9, "2 GB/s")],
)
def test_range_is_written_with_two_digits(low: float, high: float, text: str) -> None:
    assert format_range(low, high) == text


def test_binary_size_is_written_with_binary_prefix() -> None:
    assert format_bytes(64 * 2**30, binary=True) == "64 GiB"


@given(st.integers(0, 10**20), st.booleans())
def test_written_size_reads_back_within_one_percent(size_bytes: int, binary: bool) -> None:
    assert is_same_capacity(parse_bytes(format_bytes(size_bytes, binary=binary)), size_bytes)


def test_capacities_are_the_same_within_one_percent_of_the_larger() -> None:
    assert is_same_capacity(4_000_787_030_016, 4 * 10**12)
    assert is_same_capacity(99, 100)
    assert not is_same_capacity(9_899, 10_000)
