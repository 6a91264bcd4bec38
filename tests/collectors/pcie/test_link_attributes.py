"""The four sysfs attributes of a link: old and new wording, and all the ways in which they say nothing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie.link_attributes import (
    LINK_ATTRIBUTES,
    NO_LINK,
    is_blank,
    is_silent,
    parse_link_end,
    parse_link_speed,
    parse_link_width,
)
from laneproof_collectors.questions import unread_from_errno
from laneproof_collectors.snapshot import LinkEnd
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import unread

FOLDER = "/sys/devices/pci0000:00/0000:00:01.1"


@pytest.mark.parametrize(
    ("raw", "rate"),
    [
        (b"2.5 GT/s PCIe\n", 2.5), (b"5.0 GT/s PCIe\n", 5.0), (b"8.0 GT/s PCIe\n", 8.0), (b"16.0 GT/s PCIe\n", 16.0),
        (b"32.0 GT/s PCIe\n", 32.0), (b"64.0 GT/s PCIe\n", 64.0),  # drivers/pci/probe.c, pci_speed_string
        (b"2.5 GT/s\n", 2.5), (b"5 GT/s\n", 5.0), (b"8 GT/s\n", 8.0), (b"16 GT/s\n", 16.0), (b"32 GT/s\n", 32.0),
        (b"16.0 GT/s PCIe", 16.0),
    ],
)  # fmt: skip
def test_speeds_in_the_words_of_new_and_old_kernels(raw: bytes, rate: float) -> None:
    assert parse_link_speed(raw, what="x") == rate


@pytest.mark.parametrize("raw", [b"Unknown\n", b"Unknown speed\n", b"Unknown"])
def test_an_unknown_speed_is_unread(raw: bytes) -> None:
    assert "Unknown" in str(unread(parse_link_speed(raw, what="current_link_speed")))


@pytest.mark.parametrize(
    "raw",
    [b"", b"\n", b"0", b"6.0 GT/s PCIe\n", b"16.0 GT", b"16.0 GT/s PCIe\n\n", b"-8.0 GT/s\n", b"\xff\xff", b"x" * 5000],
)
def test_what_no_kernel_writes_is_no_speed(raw: bytes) -> None:
    speed = unread(parse_link_speed(raw, what="current_link_speed"))
    assert speed.reason is Reason.MALFORMED
    assert len(str(speed)) < 250


@pytest.mark.parametrize("lanes", [0, 1, 2, 4, 8, 12, 16, 32])  # no lanes are an answer
def test_widths(lanes: int) -> None:
    assert parse_link_width(b"%d\n" % lanes, what="x") == lanes


@pytest.mark.parametrize(
    ("raw", "reason"),
    [(b"63\n", Reason.GONE), (b"255\n", Reason.FAILED), (b"", Reason.MALFORMED), (b"3\n", Reason.MALFORMED),
     (b"-1\n", Reason.MALFORMED), (b"4 4\n", Reason.MALFORMED), (b"0x4\n", Reason.MALFORMED)],
)  # fmt: skip
def test_what_is_no_width_says_why(raw: bytes, reason: Reason) -> None:
    assert unread(parse_link_width(raw, what="current_link_width")).reason is reason


def test_a_link_that_is_well() -> None:
    raws = [b"8.0 GT/s PCIe\n", b"2\n", b"16.0 GT/s PCIe\n", b"4\n"]
    end = parse_link_end(raws, folder=FOLDER)
    assert end == LinkEnd(trained_gt_s=8.0, trained_lanes=2, capable_gt_s=16.0, capable_lanes=4)
    assert parse_link_end(raws, folder="/elsewhere") is end
    assert not is_blank(end)


def absent(name: str) -> Unread:
    return unread_from_errno(f"{FOLDER}/{name}", 2)


def test_a_function_without_the_attributes_has_no_link() -> None:
    assert parse_link_end([absent(name) for name in LINK_ATTRIBUTES], folder=FOLDER) is NO_LINK


@pytest.mark.parametrize("missing", range(4))
def test_one_attribute_that_is_missing_is_unread(missing: int) -> None:
    raws: list[bytes | Unread] = [b"8.0 GT/s PCIe\n", b"4\n", b"8.0 GT/s PCIe\n", b"4\n"]
    raws[missing] = absent(LINK_ATTRIBUTES[missing])
    end = parse_link_end(raws, folder=FOLDER)
    values = [end.trained_gt_s, end.trained_lanes, end.capable_gt_s, end.capable_lanes]
    assert [isinstance(value, Unread) for value in values] == [number == missing for number in range(4)]


def test_a_failure_of_the_kernel_passes_through() -> None:
    refused = unread_from_errno(f"{FOLDER}/current_link_width", 22)
    end = parse_link_end([b"Unknown\n", refused, b"8.0 GT/s PCIe\n", b"4\n"], folder=FOLDER)
    assert end.trained_lanes == refused
    assert unread(end.trained_gt_s).what == f"{FOLDER}/current_link_speed"
    assert (end.capable_gt_s, end.capable_lanes) == (8.0, 4)


def test_a_port_that_trained_nothing_says_so() -> None:
    end = parse_link_end([b"2.5 GT/s PCIe\n", b"0\n", b"16.0 GT/s PCIe\n", b"4\n"], folder=FOLDER)
    assert (end.trained_lanes, end.capable_lanes) == (0, 4)


def test_an_end_that_can_hold_no_lanes_is_unread() -> None:
    """Downstream ports of the emulator's switch read so."""
    end = parse_link_end([b"2.5 GT/s PCIe\n", b"1\n", b"Unknown\n", b"0\n"], folder=FOLDER)
    assert isinstance(end.capable_lanes, Unread)
    assert isinstance(end.capable_gt_s, Unread)
    assert (end.trained_gt_s, end.trained_lanes) == (2.5, 1)


def test_all_ones_are_a_silent_function() -> None:
    assert is_silent([b"Unknown\n", b"63\n", b"16.0 GT/s PCIe\n", b"4\n"])
    assert is_silent([b"Unknown speed\n", b"63\n", b"Unknown speed\n", b"63\n"])
    assert not is_silent([b"Unknown\n", b"0\n", b"Unknown\n", b"0\n"])
    assert not is_silent([b"Unknown speed\n", b"255\n", b"8.0 GT/s PCIe\n", b"4\n"])
    assert not is_silent([b"8.0 GT/s PCIe\n", b"4\n", b"8.0 GT/s PCIe\n", b"4\n"])
    assert not is_silent([absent("current_link_speed"), b"63\n", b"", b""])


def test_an_end_without_anything_is_blank() -> None:
    assert is_blank(parse_link_end([b"Unknown\n", b"0\n", b"Unknown\n", b"0\n"], folder=FOLDER))
    assert not is_blank(parse_link_end([b"Unknown\n", b"0\n", b"8.0 GT/s PCIe\n", b"4\n"], folder=FOLDER))


ANY_RAW = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [b"8.0 GT/s PCIe\n", b"4\n", b"0\n", b"63\n", b"Unknown\n", absent("x"), unread_from_errno("x", 5)]
    ),
)


@given(st.lists(ANY_RAW, min_size=4, max_size=4))
def test_any_answers_give_an_end(raws: list[bytes | Unread]) -> None:
    end = parse_link_end(raws, folder=FOLDER)
    for rate in (end.trained_gt_s, end.capable_gt_s):
        assert rate is None or isinstance(rate, Unread) or rate in (2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
    for lanes in (end.trained_lanes, end.capable_lanes):
        assert lanes is None or isinstance(lanes, Unread) or 0 <= lanes <= 32
    assert (end.trained_gt_s is None) == (end is NO_LINK)
    assert isinstance(is_silent(raws), bool)
