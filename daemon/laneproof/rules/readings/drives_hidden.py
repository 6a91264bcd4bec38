"""drives-hidden: drives that a firmware's RAID mode or a RAID card keeps from the kernel."""

from collections.abc import Iterator

from laneproof.advice import FIRMWARE_SETUP, Step, advise
from laneproof.box.topology import Topology
from laneproof.findings import Finding, Kind
from laneproof.rules.rule import Pass, Rule, holds, unverified
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Reason, Unread

_RAID_CLASS = 0x0104  # pci_ids.h, PCI_CLASS_STORAGE_RAID
_RAID_DRIVERS = ("3w-9xxx", "3w-sas", "aacraid", "arcmsr", "hpsa", "megaraid_sas", "mpi3mr", "smartpqi")
"""The kernel's drivers of cards that make volumes of their drives (drivers/scsi)."""

_OWN_TOOL = (
    "Watch these drives with the card's or the board's own tool; 'smartctl --scan' shows whether it reaches them."
)
_SWITCH_MODE = Step(
    "The kernel sees them once the firmware setup's storage mode is AHCI. Change it only while no data is on them, or "
    "after a full backup that was read: a firmware RAID made of them is lost, and a system on them may not start.",
    (FIRMWARE_SETUP,),
)


def _judge(current: Pass) -> Iterator[Finding]:
    tree = current.arrangement.topology
    for function in tree.functions.values():
        count = function.remapped_nvme
        if isinstance(count, int) and count > 0:
            how_many = "an NVMe drive" if count == 1 else f"{count} NVMe drives"
            yield _report(function, how_many, "the firmware's RAID mode keeps it from the kernel", _SWITCH_MODE)
        elif _makes_volumes(function) and not _shows_drives(tree, function):
            yield _report(function, "the drives", f"its RAID card shows volumes only ({function.driver})")


def _makes_volumes(function: PciFunction) -> bool:
    is_raid = isinstance(function.class_code, int) and function.class_code >> 8 == _RAID_CLASS
    return is_raid and function.driver in _RAID_DRIVERS


def _shows_drives(tree: Topology, function: PciFunction) -> bool:
    """Whether drives behind a card report their own health, as where it passes them through."""
    below = (drive for path, drive in tree.drives.items() if path.startswith(f"{function.own_path}/"))
    return any(isinstance(drive.healthy, bool) for drive in below)


def _report(function: PciFunction, drives: str, why: str, *steps: Step) -> Finding:
    about = f"{drives} behind {function.address}"
    return DRIVES_HIDDEN.report_unverified(
        Unread(about, why, Reason.ABSENT),
        about=about,
        why=why,
        key=function.own_path,
        subject=function.address,
        evidence={"path": function.own_path, "driver": function.driver, "remapped": function.remapped_nvme},
        next_steps=advise(_OWN_TOOL, *steps),
    )


DRIVES_HIDDEN = Rule(
    name="drives-hidden",
    kind=Kind.UNVERIFIED,
    statement="Every drive of the box can be seen by the kernel.",
    why=(
        "A drive that only a RAID card or the board's firmware sees has no health, no counters and no link here, and "
        "can fail without a word. What is not seen is not called fine."
    ),
    next_steps=advise(_OWN_TOOL, _SWITCH_MODE),
    judge=_judge,
    examples=(
        holds("a SATA controller hides nothing"),
        unverified(
            "the firmware remapped an NVMe drive into a SATA controller",
            "an NVMe drive behind 0000:00:17.0 could not be verified: the firmware's RAID mode keeps it from the "
            "kernel",
        ),
    ),
    sources=(
        "Linux drivers/ata/ahci.c, ahci_remap_check and remapped_nvme: `Found N remapped NVMe devices`",
        "drivers/scsi: megaraid, hpsa, smartpqi, aacraid, arcmsr, mpi3mr, 3w-*",
    ),
)
