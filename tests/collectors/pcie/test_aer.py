"""Error counters as the kernel prints them, and as it did in older trees."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie.aer import AER_CLASSES, parse_aer, parse_aer_counters, parse_aer_total
from laneproof_collectors.questions import unread_from_errno
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known, unread

CORRECTABLE = (
    b"RxErr 53\nBadTLP 2\nBadDLLP 0\nRollover 0\nTimeout 7\nNonFatalErr 0\nCorrIntErr 0\nHeaderOF 0\nTOTAL_ERR_COR 60\n"
)
# The sample of Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats, verbatim.
DOCUMENTED_CORRECTABLE = b"""Receiver Error 2
Bad TLP 0
Bad DLLP 0
RELAY_NUM Rollover 0
Replay Timer Timeout 0
Advisory Non-Fatal 0
Corrected Internal Error 0
Header Log Overflow 0
TOTAL_ERR_COR 2
"""
DOCUMENTED_FATAL = b"""Undefined 0
Data Link Protocol 0
Surprise Down Error 0
Poisoned TLP 0
Flow Control Protocol 0
Completion Timeout 0
Completer Abort 0
Unexpected Completion 0
Receiver Overflow 0
Malformed TLP 0
ECRC 0
Unsupported Request 0
ACS Violation 0
Uncorrectable Internal Error 0
MC Blocked TLP 0
AtomicOp Egress Blocked 0
TLP Prefix Blocked Error 0
TOTAL_ERR_FATAL 0
"""
FOLDER = "/sys/devices/pci0000:00/0000:00:01.1"


def test_lines_are_kept_and_the_total_is_dropped() -> None:
    assert parse_aer_counters(CORRECTABLE, what="x") == {
        "RxErr": 53, "BadTLP": 2, "BadDLLP": 0, "Rollover": 0, "Timeout": 7, "NonFatalErr": 0, "CorrIntErr": 0,
        "HeaderOF": 0,
    }  # fmt: skip


def test_the_documents_names_become_the_short_ones() -> None:
    assert parse_aer_counters(DOCUMENTED_CORRECTABLE, what="x") == {
        "RxErr": 2, "BadTLP": 0, "BadDLLP": 0, "Rollover": 0, "Timeout": 0, "NonFatalErr": 0, "CorrIntErr": 0,
        "HeaderOF": 0,
    }  # fmt: skip
    fatal = known(parse_aer_counters(DOCUMENTED_FATAL, what="x"))
    # Linux 6.12 drivers/pci/pcie/aer.c, aer_uncorrectable_error_string, in the order of the bits.
    assert list(fatal) == [
        "Undefined", "DLP", "SDES", "TLP", "FCP", "CmpltTO", "CmpltAbrt", "UnxCmplt", "RxOF", "MalfTLP", "ECRC",
        "UnsupReq", "ACSViol", "UncorrIntErr", "BlockedTLP", "AtomicOpBlocked", "TLPBlockedErr",
    ]  # fmt: skip


def test_a_bit_without_a_name_keeps_the_kernels_line() -> None:
    counters = parse_aer_counters(b"RxErr 0\ndev_cor_errs_bit[3] 12\nTOTAL_ERR_COR 12\n", what="x")
    assert counters == {"RxErr": 0, "dev_cor_errs_bit[3]": 12}


@pytest.mark.parametrize(
    "raw",
    [
        b"", b"\n", b"TOTAL_ERR_COR 0\n", b"RxErr\n", b"RxErr -1\n", b"RxErr 1 2 x\n", b"RxErr 1\n\nBadTLP 0\n",
        b"RxErr 1\nRxErr 2\n", b"Bad TLP 1\nBadTLP 2\n", b"RxErr 18446744073709551616\n", b"\0\0\0", b"\xff" * 40,
        CORRECTABLE[:20],  # cut off in the middle of a line
        b"RxErr 1\nBadTLP 1",
    ],
)  # fmt: skip
def test_what_is_no_list_of_counts_is_unread(raw: bytes) -> None:
    counters = unread(parse_aer_counters(raw, what="aer_dev_correctable"))
    assert (counters.what, counters.reason) == ("aer_dev_correctable", Reason.MALFORMED)


@given(st.binary(max_size=200))
def test_any_bytes_give_counts_or_a_reason(raw: bytes) -> None:
    counters = parse_aer_counters(raw, what="x")
    assert isinstance(counters, Unread) or (counters and all(count >= 0 for count in counters.values()))
    total = parse_aer_total(raw, what="x")
    assert isinstance(total, Unread) or total >= 0


@given(st.dictionaries(st.sampled_from(["RxErr", "BadTLP", "Rollover", "SDES"]), st.integers(0, 2**64 - 1), min_size=1))
def test_counts_come_back_as_they_were_printed(counts: dict[str, int]) -> None:
    text = "".join(f"{name} {count}\n" for name, count in counts.items()) + "TOTAL_ERR_COR 1\n"
    assert parse_aer_counters(text.encode(), what="x") == counts


def test_totals() -> None:
    assert parse_aer_total(b"61\n", what="x") == 61
    assert parse_aer_total(b"61", what="x") == 61
    assert isinstance(parse_aer_total(b"", what="x"), Unread)
    assert isinstance(parse_aer_total(b"6 1\n", what="x"), Unread)


def absent(name: str) -> Unread:
    return unread_from_errno(f"{FOLDER}/{name}", 2)


def test_a_function_without_counters_has_none() -> None:
    assert parse_aer([absent(name) for name in AER_CLASSES], (), folder=FOLDER) is None


def test_one_class_that_fails_leaves_the_others() -> None:
    denied = unread_from_errno(f"{FOLDER}/aer_dev_fatal", 13)
    counters = known(parse_aer([CORRECTABLE, b"garbage", denied], (), folder=FOLDER))
    assert not isinstance(counters.correctable, Unread)
    assert unread(counters.nonfatal).what == f"{FOLDER}/aer_dev_nonfatal"
    assert counters.fatal == denied
    assert (counters.root_correctable, counters.root_nonfatal, counters.root_fatal) == (None, None, None)


def test_one_class_that_is_missing_is_unread_beside_others() -> None:
    counters = known(parse_aer([absent("aer_dev_correctable"), DOCUMENTED_FATAL, DOCUMENTED_FATAL], (), folder=FOLDER))
    assert isinstance(counters.correctable, Unread)


def test_a_root_port_totals_what_was_reported_to_it() -> None:
    raws = [CORRECTABLE, DOCUMENTED_FATAL, DOCUMENTED_FATAL]
    counters = known(parse_aer(raws, [b"70\n", b"x\n", b"0\n"], folder=FOLDER))
    assert (counters.root_correctable, counters.root_fatal) == (70, 0)
    assert isinstance(counters.root_nonfatal, Unread)
