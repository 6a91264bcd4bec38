"""kernel_log.classify, held against lines seen on real machines, and against text that imitates the kernel's."""

import json
import re
from pathlib import Path

import pytest

from laneproof_collectors.kernel_log.reading import classify

# What dmesg, the journal and installers put before a message: level, date and host, time since boot, who called.
PREFIX = re.compile(
    r"\s*(?:<\d+>)?(?:[\d:,]+ INFO kernel:)?(?:(?:[A-Z][a-z]{2} +\d+ [\d:]{8}|\d{4}-\S+) \S+ (?:kernel: )?)?"
    r"(?:\[[^\]]*\d\] ?)?(?:\[ *[TC]\d+\] ?)?"
)


def judge(line: str) -> tuple[str, str | None] | None:
    event = classify(line)
    return None if event is None else (str(event.kind), event.device)


def test_samples_of_the_reference(reference: Path) -> None:
    wrong: list[tuple[object, ...]] = []
    samples = [json.loads(line) for line in (reference / "kernel-log-samples.jsonl").read_text().splitlines()]
    assert len(samples) > 50
    for sample in samples:
        wanted = {None if label == "harmless" else label for label in (sample["label"], *sample["also"])}
        if sample["key"] is None:  # no line bears the label: none of them may raise anything
            quiet = wanted == {None}
            wrong += [
                (sample["id"], line) for line in sample["lines"] if quiet and judge(PREFIX.sub("", line, count=1))
            ]
            continue
        line = PREFIX.sub("", sample["lines"][sample["key"]], count=1)
        said = judge(line)
        if (said[0] if said else None) not in wanted:
            wrong.append((sample["id"], line, said, sample["label"]))
        elif said and sample["device"] and said[1] != sample["device"]:
            wrong.append((sample["id"], line, said, sample["device"]))
    assert wrong == []


LINE = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"


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
        " ",
        "\x00\xff;nvme nvme0",
        ": ",
        "nvme nvme0: ",
    ],
)
def test_text_that_imitates_a_kernel_message_is_none(message: str) -> None:
    assert judge(message) is None
