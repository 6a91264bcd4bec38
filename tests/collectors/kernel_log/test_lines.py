"""Any text at all is judged without a failure; what only looks like a kernel message is none."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.lines import KernelEvent, classify, join_detail
from laneproof_collectors.kernel_log.reading import classify as contract

LINE = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"

VALID = [
    LINE,
    "nvme nvme0: I/O tag 641 (c281) opcode 0x1 (I/O Cmd) QID 8 timeout, aborting req_op:WRITE(1) size:4096",
    "pcieport 0000:00:1d.0: AER: Correctable error message received from 0000:09:04.0",
    "pcieport 0000:00:1d.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, id=00e8(Receiver ID)",
    "pcieport 0000:00:1d.0:   device [1b36:000c] error status/mask=00001000/00002000",
    "pcieport 0000:00:1d.0:    [12] Timeout                (First)",
    "pcieport 0000:00:1d.0: pciehp: Slot(0-1): Card not present",
    "nvme0n1: Read(0x2) @ LBA 4096, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81) MORE DNR ",
    "critical medium error, dev nvme0n1, sector 0 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2",
    "md/raid1:md0: Disk failure on nvme1n1p1, disabling device.\\x0amd/raid1:md0: Operation continuing on 1 devices.",
    "bond0: (slave eth0): link status definitely down, disabling slave",
    "ata1.00: cmd 60/08 tag 0\n         res 41/40:08 Emask 0x409 (media error) <F>",
    "sd 0:0:0:1: [sdb] tag#0 Sense Key : Medium Error [current] ",
    "{1}[Hardware Error]:   aer_cor_status: 0x00000001, aer_cor_mask: 0x00002000",
    "pci 0000:01:00.0: 8.000 Gb/s available PCIe bandwidth, limited by 2.5 GT/s x4 link at 0000:00:1d.0",
]


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
    event = classify(message)
    assert event is not None
    assert event.kind is EventKind.CONTROLLER_DOWN
    assert event.kind == "controller_down"
    assert event.device == "nvme0"
    assert event.message == LINE


@pytest.mark.parametrize(
    "message",
    [
        "systemd[1]: " + LINE,
        "logger: " + LINE,
        "usb 1-1: Product: " + LINE,
        'audit: type=1400 audit(1.0:2): apparmor="DENIED" comm="' + LINE + '"',
        "kelp: pcieport 0000:00:1d.0: AER: Corrected error received: 0000:03:00.0",
        "pcieport 0000:00:1d.0: note: AER: Corrected error received: 0000:03:00.0",
        "foo: bar I/O error, dev nvme0n1, sector 5",
        "EXT4-fs (sda1): mounted filesystem with label md/raid1:md0: active with 1 out of 2 mirrors",
        "my nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff",
        "nvme nvme0 controller is down; will reset",
        "pcieport: Slot(5): Link Down",
        "0000:00:1d.0: Slot(5): Link Down",
        "sda: md/raid1:md0: Disk failure on sda1, disabling device.",
        "Slot(5): Link Down",
        "",
        "\n\n",
        ": ",
        "nvme nvme0: ",
    ],
)
def test_text_that_imitates_a_kernel_message_is_none(message: str) -> None:
    assert classify(message) is None


@given(st.text())
def test_any_text_is_judged(message: str) -> None:
    event = classify(message)
    assert event is None or event.kind in EventKind


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A valid line with a piece cut out, doubled, or replaced."""
    line = draw(st.sampled_from(VALID))
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


def test_the_source_in_a_port_s_words_is_who_erred() -> None:
    event = classify("pcieport 0001:00:1d.0: AER: Corrected error received: id=0931")
    assert event is not None
    assert event.device == "0001:09:06.1"  # bus 09h; 31h is device 6, function 1


def test_joined_detail_keeps_the_first_word_and_gathers_bits() -> None:
    first = {"bits": "RxErr Timeout", "severity": "inferred", "status": "00001001"}
    further = {"bits": "Timeout BadTLP", "severity": "correctable", "status": "00000040"}
    assert join_detail(first, further) == {
        "bits": "RxErr Timeout BadTLP",
        "severity": "correctable",
        "status": "00001001",
    }


_PREFIXES = (
    r"^\s*\d\d:\d\d:\d\d,\d+ INFO kernel:",
    r"^\s*[A-Z][a-z]{2} +\d+ [\d:]+ +\S+ (?:kernel: )?",
    r"^\s*\[\s*(?:[+\d.\s]+|[A-Z][a-z]{2} [^\]]*)\]\s*(?:\[ *[TC]\d+\]\s*)?",
)


def _without_prefix(line: str) -> str:
    for prefix in _PREFIXES:
        line = re.sub(prefix, "", line)
    return line


def _agrees(event: KernelEvent | None, sample: dict[str, Any]) -> bool:
    right = {sample["label"], *sample["also"]}
    if event is None:
        return "harmless" in right
    return event.kind in right and (sample["device"] is None or event.device == sample["device"])


def test_lines_seen_on_real_machines_are_understood(reference: Path) -> None:
    samples = [json.loads(line) for line in (reference / "kernel-log-samples.jsonl").read_text().splitlines()]
    assert len(samples) > 50
    wrong = [
        (sample["id"], line)
        for sample in samples
        for position, line in enumerate(sample["lines"])
        if (sample["label"] == "harmless" or position == sample["key"])
        and not _agrees(classify(_without_prefix(line)), sample)
    ]
    assert wrong == []
