"""kernel_log.classify, held against the reference samples and lines written from the kernel's own format strings.

Each table names the source file whose printk it copies; versions differ, and all of them must be known.
"""

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
    wrong = []
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


# drivers/nvme/host/pci.c and core.c
NVME = [
    ("nvme nvme0: controller is down; will reset: CSTS=0x3, PCI_STATUS=0x10", "controller_down", "nvme0"),
    ("nvme nvme3: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff", "controller_down", "nvme3"),
    ("nvme nvme3: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS read failed (134)", "controller_down",
     "nvme3"),
    ("nvme nvme1: I/O 24 QID 5 timeout, aborting", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O 24 QID 5 timeout, reset controller", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O 0 QID 0 timeout, disable controller", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O 24 QID 5 timeout, completion polled", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O 24 (Write) QID 5 timeout, aborting", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O tag 322 (0142) opcode 0x1 (I/O Cmd) QID 4 timeout, aborting req_op:WRITE(1) size:131072",
     "io_timeout", "nvme1"),
    ("nvme nvme1: I/O tag 322 (0142) opcode 0x2 (Read) QID 4 timeout, reset controller", "io_timeout", "nvme1"),
    ("nvme nvme1: I/O tag 12 (100c) QID 0 timeout, completion polled", "io_timeout", "nvme1"),
    ("nvme nvme0: Device not ready; aborting reset, CSTS=0x1", "controller_down", "nvme0"),
    ("nvme nvme0: Device not ready; aborting initialisation, CSTS=0x0", "probe_failed", "nvme0"),
    ("nvme nvme0: Device not ready; aborting reset", "controller_down", "nvme0"),
    ("nvme nvme0: Removing after probe failure status: -19", "device_removed", "nvme0"),
    ("nvme nvme0: Disabling device after reset failure: -19", "device_removed", "nvme0"),
    ("nvme nvme0: frozen state error detected, reset controller", "controller_down", "nvme0"),
    ("nvme 0000:01:00.0: probe with driver nvme failed with error -12", "probe_failed", "0000:01:00.0"),
    ("nvme: probe of 0000:01:00.0 failed with error -19", "probe_failed", "0000:01:00.0"),
    ("nvme 0001:01:00.0: Unable to change power state from D3cold to D0, device inaccessible", "device_removed",
     "0001:01:00.0"),
    ("nvme 10000:e1:00.0: can't change power state from D3cold to D0 (config space inaccessible)", "device_removed",
     "10000:e1:00.0"),
    ("nvme0n1: Read(0x2) @ LBA 4096, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81) MORE DNR ", "media_error",
     "nvme0"),
    ("nvme1n1: I/O Cmd(0x2) @ LBA 4096, 8 blocks, I/O Error (sct 0x2 / sc 0x81) MORE ", "media_error", "nvme1"),
    ("nvme0n1: I/O Cmd(0x1) @ LBA 1048, 256 blocks, I/O Error (sct 0x3 / sc 0x71) ", "io_error", "nvme0"),
    ("nvme nvme2: restart after slot reset", None, None),
    ("nvme nvme0: pci function 0000:01:00.0", None, None),
    ("nvme nvme0: 16/0/0 default/read/poll queues", None, None),
    ("nvme nvme0: Shutdown timeout set to 8 seconds", None, None),
    ("nvme nvme0: allocated 64 MiB host memory buffer (1 segment).", None, None),
    ("nvme nvme0: missing or invalid SUBNQN field.", None, None),
    ("nvme nvme0: Ignoring bogus Namespace Identifiers", None, None),
    ("nvme nvme0: using unchecked data buffer", None, None),
    ("nvme nvme0: Does your device have a faulty power saving mode enabled?", None, None),
]  # fmt: skip

# drivers/pci/pcie/aer.c of 4.x, 5.x, 6.x; drivers/pci/pcie/dpc.c
AER = [
    ("pcieport 0000:00:1c.0: AER: Corrected error received: id=00e0", "aer_correctable", "0000:00:1c.0"),
    ("pcieport 0000:00:1c.0: AER: Corrected error received: 0000:02:00.0", "aer_correctable", "0000:02:00.0"),
    ("pcieport 0000:00:1c.0: AER: Multiple Corrected error received: 0000:02:00.0", "aer_correctable", "0000:02:00.0"),
    ("pcieport 0000:00:1c.0: AER: Correctable error message received from 0000:02:00.0", "aer_correctable",
     "0000:02:00.0"),
    ("pcieport 10000:e0:06.0: AER: Multiple Correctable error message received from 10000:e1:00.0", "aer_correctable",
     "10000:e1:00.0"),
    ("pcieport 0000:00:1c.0: AER: Uncorrectable (Non-Fatal) error message received from 0000:02:00.0",
     "aer_uncorrectable", "0000:02:00.0"),
    ("pcieport 0000:00:1c.0: AER: Uncorrected (Fatal) error received: 0000:02:00.0", "aer_uncorrectable",
     "0000:02:00.0"),
    ("nvme 0000:02:00.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)", "aer_correctable",
     "0000:02:00.0"),
    ("nvme 0000:02:00.0: AER: PCIe Bus Error: severity=Corrected, type=Data Link Layer, (Transmitter ID)",
     "aer_correctable", "0000:02:00.0"),
    ("nvme 0000:02:00.0: PCIe Bus Error: severity=Correctable, type=Data Link Layer, (Transmitter ID)",
     "aer_correctable", "0000:02:00.0"),
    ("pcieport 0000:00:1d.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, id=00e8(Receiver ID)",
     "aer_correctable", "0000:00:1d.0"),
    ("nvme 0000:02:00.0: PCIe Bus Error: severity=Uncorrected (Fatal), type=Inaccessible, (Unregistered Agent ID)",
     "aer_uncorrectable", "0000:02:00.0"),
    ("nvme 0000:02:00.0: PCIe Bus Error: severity=Uncorrectable (Non-Fatal), type=Transaction Layer, (Requester ID)",
     "aer_uncorrectable", "0000:02:00.0"),
    ("pcieport 0000:00:1b.0: DPC: containment event, status:0x1f01 source:0x0000", "dpc", "0000:00:1b.0"),
    ("pcieport 0000:00:1b.0: DPC: unmasked uncorrectable error detected", "dpc", "0000:00:1b.0"),
    ("pcieport 0000:00:1b.0: DPC: containment event, status:0x1f01: unmasked uncorrectable error detected", "dpc",
     "0000:00:1b.0"),
    ("RAS: Correctable Errors collector initialized.", None, None),
    ("pcieport 0000:00:1c.0: AER: enabled with IRQ 122", None, None),
    ("pcieport 0000:00:1b.0: DPC: enabled with IRQ 123", None, None),
    (("pcieport 0000:00:1b.0: DPC: error containment capabilities: Int Msg #0, RPExt+ PoisonedTLP+ SwTrigger+ RP PIO"
      " Log 4, DL_ActiveErr+"), None, None),
    ("acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug SHPCHotplug PME AER PCIeCapability LTR DPC]", None, None),
]  # fmt: skip

# drivers/pci/hotplug/pciehp_ctrl.c and pciehp_hpc.c, drivers/pci/pci.c, drivers/pci/quirks.c
PORTS = [
    ("pcieport 0000:00:1c.4: pciehp: Slot(12): Link Down", "link_down", "0000:00:1c.4"),
    ("pcieport 0000:00:1c.4: pciehp: Slot(12): Link Up", "link_up", "0000:00:1c.4"),
    ("pcieport 0000:00:1c.4: pciehp: Slot(12-1): Card present", "link_up", "0000:00:1c.4"),
    ("pcieport 10000:e0:06.0: pciehp: Slot(6): Link Down", "link_down", "10000:e0:06.0"),
    ("pciehp 0000:00:1c.4:pcie004: Slot(12): Link Down", "link_down", "0000:00:1c.4"),
    (("nvme 0000:02:00.0: 7.876 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x1 link at 0000:00:1c.4"
      " (capable of 31.504 Gb/s with 8.0 GT/s PCIe x4 link)"), "bandwidth_limited", "0000:02:00.0"),
    (("pci 0000:02:00.0: 8.000 Gb/s available PCIe bandwidth, limited by 2.5 GT/s x4 link at 0000:00:1c.4"
      " (capable of 31.504 Gb/s with 8 GT/s x4 link)"), "bandwidth_limited", "0000:02:00.0"),
    ("pci 0000:02:00.0: 31.504 Gb/s available PCIe bandwidth (8.0 GT/s PCIe x4 link)", None, None),
    (("pcieport 0000:00:1c.4: pciehp: Slot #12 AttnBtn- PwrCtrl- MRL- AttnInd- PwrInd- HotPlug+ Surprise+ Interlock-"
      " NoCompl+ IbPresDis- LLActRep+"), None, None),
    ("pcieport 0000:00:1c.4: PME: Signaling with IRQ 121", None, None),
]  # fmt: skip

# block/blk-core.c, drivers/md/*.c, drivers/net/bonding/bond_main.c
REST = [
    (("blk_update_request: critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x80700 phys_seg 4"
      " prio class 0"), "media_error", "nvme0"),
    ("critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2", "media_error",
     "nvme0"),
    ("critical medium error, dev sda, sector 998877 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2", "media_error",
     "sda"),
    ("I/O error, dev nvme2n1, sector 0 op 0x0:(READ) flags 0x80700 phys_seg 1 prio class 2", "io_error", "nvme2"),
    ("print_req_error: I/O error, dev sdb, sector 77", "io_error", "sdb"),
    ("blk_update_request: I/O error, dev sdb, sector 77", "io_error", "sdb"),
    ("Buffer I/O error on dev nvme0n1, logical block 0, async page read", "io_error", "nvme0"),
    ("md/raid1:md0: Disk failure on nvme1n1, disabling device.\nmd/raid1:md0: Operation continuing on 1 devices.",
     "array_degraded", "md0"),
    ("md/raid:md127: Disk failure on nvme1n1p2, disabling device.\nmd/raid:md127: Operation continuing on 3 devices.",
     "array_degraded", "md127"),
    ("md/raid10:md1: Disk failure on sda1, disabling device.", "array_degraded", "md1"),
    ("md/raid1:md0: active with 1 out of 2 mirrors", "array_degraded", "md0"),
    ("md/raid1:md0: active with 2 out of 2 mirrors", None, None),
    ("md/raid:md0: raid level 5 active with 3 out of 4 devices, algorithm 2", "array_degraded", "md0"),
    ("md/raid:md0: raid level 5 active with 4 out of 4 devices, algorithm 2", None, None),
    ("bond0: (slave enp1s0f1): link status definitely down, disabling slave", "bond_link_down", "enp1s0f1"),
    ("bond0: link status definitely down for interface eth1, disabling it", "bond_link_down", "eth1"),
    ("md: data-check of RAID array md0", None, None),
    ("md: md0: resync done.", None, None),
    ("EXT4-fs (nvme0n1p2): mounted filesystem with ordered data mode", None, None),
    ("ixgbe 0000:01:00.1 enp1s0f1: NIC Link is Down", None, None),
    ("", None, None),
    (" ", None, None),
    ("\x00\xff;nvme nvme0", None, None),
]  # fmt: skip


@pytest.mark.parametrize(("line", "kind", "device"), [*NVME, *AER, *PORTS, *REST])
def test_lines_of_the_kernels_own_formats(line: str, kind: str | None, device: str | None) -> None:
    said = judge(line)
    if kind is None:
        assert said is None
        return
    assert said is not None, "not recognised"
    assert said[0] == kind
    # A disk's name stands for its drive as well.
    assert said[1] is not None
    assert said[1] == device or (device is not None and re.fullmatch(rf"{device}n\d+(p\d+)?", said[1]))


@pytest.mark.parametrize("line", [line for line, kind, _ in (*NVME, *AER, *PORTS, *REST) if kind and "\n" not in line])
def test_same_words_after_a_program_name_are_no_kernel_event(line: str) -> None:
    """Text that quotes the kernel in the middle of its own sentence is not the kernel's."""
    assert judge(f"systemd[1]: reading back: {line}") is None


def test_port_named_by_card_not_present() -> None:
    assert judge("pcieport 0000:00:1c.4: pciehp: Slot(12): Card not present") in {
        ("link_down", "0000:00:1c.4"),
        ("device_removed", "0000:00:1c.4"),
    }


def test_message_of_enormous_length_ends_quickly() -> None:
    for line in ("nvme nvme0: " + "a" * 200_000, "pcieport 0000:00:1c.0: AER: " + " " * 200_000, "md/raid" * 50_000):
        assert judge(line) is None
