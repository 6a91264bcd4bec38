"""Any text at all is judged without a failure; what only looks like a kernel message is none."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.kernel_log.aer import CORRECTABLE_BITS, UNCORRECTABLE_BITS, decode_bits
from laneproof_collectors.kernel_log.classification import classify, join_detail
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import classify as contract
from support.unread_answers import known

LINE = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"

MESSAGES = [json.loads(row) for row in (Path(__file__).parent / "messages.jsonl").read_text().splitlines()]
"""One message a row, copied from a format string of the kernel, with made-up values: `source` is the file that prints
it and a version that does. Without a `kind` the message harms nobody. `detail` is what its own words say."""
EVENTS = [row["line"] for row in MESSAGES if "kind" in row]


@pytest.mark.parametrize("row", MESSAGES, ids=lambda row: row["line"][:100])
def test_a_message_is_understood_as_the_kernel_means_it(row: dict[str, Any]) -> None:
    event = classify(row["line"])
    if "kind" not in row:
        assert event is None
        return
    assert event is not None, row["source"]
    assert (event.kind, event.device) == (row["kind"], row["device"])
    assert (dict(event.detail), event.continues) == (row.get("detail", {}), row.get("continues", False))


@pytest.mark.parametrize("line", [line for line in EVENTS if "\n" not in line and "\\x0a" not in line])
def test_the_same_words_after_the_name_of_a_program_are_no_kernel_event(line: str) -> None:
    assert classify(f"systemd[1]: reading back: {line}") is None


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        # All ones: nothing answers. CSTS is the controller's register, PCI_STATUS that of its config space.
        ("nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff", (True, True)),
        ("nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10", (True, False)),
        ("nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS read failed (134)", (True, True)),
        ("nvme nvme0: controller is down; will reset: CSTS=0x3, PCI_STATUS=0x10", (False, False)),
        ("nvme 0000:03:00.0: Unable to change power state from D3cold to D0, device inaccessible", (None, True)),
        ("nvme 0000:03:00.0: refused to change power state from D3hot to D0", (None, None)),
    ],
)
def test_a_silent_controller_is_told_from_one_that_left_the_bus(
    line: str, answer: tuple[bool | None, bool | None]
) -> None:
    event = known(classify(line))
    assert (event.silent, event.config_space_gone) == answer


def test_bits_have_the_names_that_the_counters_have() -> None:
    # Names and positions: kernel drivers/pci/pcie/aer.c, aer_correctable_error_string and the other; positions also in
    # include/uapi/linux/pci_regs.h: PCI_ERR_COR_BAD_TLP 0x40, PCI_ERR_COR_REP_TIMER 0x1000, PCI_ERR_UNC_SURPDN 0x20.
    assert decode_bits(EventKind.AER_CORRECTABLE, 0x40 | 0x1000) == "BadTLP Timeout"
    assert decode_bits(EventKind.AER_UNCORRECTABLE, 0x20) == "SDES"
    assert decode_bits(EventKind.AER_CORRECTABLE, 1 << 20) == "bit20"
    assert set(CORRECTABLE_BITS) == {0, 6, 7, 8, 12, 13, 14, 15}
    assert set(UNCORRECTABLE_BITS) == {0, 4, 5, *range(12, 32)}


def test_the_contract_has_its_name() -> None:
    assert contract is classify


@pytest.mark.parametrize(
    "message",
    [
        LINE,
        LINE + "\n",
        "  \t" + LINE,
        "[   40.994094] " + LINE,
        "<4>[   40.994094][  T123] " + LINE,
    ],
)
def test_what_stands_around_a_message_is_tolerated(message: str) -> None:
    event = known(classify(message))
    assert event.kind is EventKind.CONTROLLER_DOWN
    assert event.kind == "controller_down"
    assert event.device == "nvme0"
    assert event.message == LINE


@given(st.text())
def test_any_text_is_judged(message: str) -> None:
    event = classify(message)
    assert event is None or event.kind in EventKind


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A valid line with a piece cut out, doubled, or replaced."""
    line = draw(st.sampled_from(EVENTS))
    begin = draw(st.integers(0, len(line)))
    end = draw(st.integers(begin, len(line)))
    piece = draw(
        st.one_of(st.just(""), st.just(line[begin:end] * 2), st.text(max_size=8), st.sampled_from(["0x", "-", ": "]))
    )
    return line[:begin] + piece + line[end:]


@given(mutated())
def test_a_mutated_line_is_judged(message: str) -> None:
    event = classify(message)
    if event is not None:
        assert event.silent in {None, True, False}
        assert event.config_space_gone in {None, True, False}


@pytest.mark.parametrize("piece", ["pci", "a ", "\\x0a", "nvme0: ", "[12] ", "x, timeout, ", "(", "Multiple "])
def test_a_long_hostile_line_is_judged_at_once(piece: str) -> None:
    # Quadratic matching over a megabyte would take hours; a test that hangs has failed.
    for subject in ("", "pcieport 0000:00:1d.0: ", "nvme nvme0: I/O ", "md/raid1:md0: "):
        classify(subject + piece * 100_000)


def test_joined_detail_keeps_the_first_word_and_gathers_bits() -> None:
    first = {"bits": "RxErr Timeout", "severity": "inferred", "status": "00001001"}
    further = {"bits": "Timeout BadTLP", "severity": "correctable", "status": "00000040"}
    assert join_detail(first, further) == {
        "bits": "RxErr Timeout BadTLP",
        "severity": "correctable",
        "status": "00001001",
    }
