"""drives-hidden: what the kernel does not see is unverified."""

import pytest

from boxes.snapshot_box import SATA, Box
from laneproof.findings import Finding, Kind
from laneproof.rules.readings.drives_hidden import DRIVES_HIDDEN
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

CARD, RAID = "0000:00/01.1", 0x010400


def judge(box: Box) -> list[Finding]:
    return judge_box(DRIVES_HIDDEN, None, box)


def remapped(count: object) -> Box:
    return Box().with_device("0000:00/17.0", class_code=SATA, function={"remapped_nvme": count})


def card_box(driver: str, class_code: int = RAID) -> Box:
    return Box().with_port(CARD).with_device(CARD, class_code=class_code, function={"driver": driver})


@pytest.mark.parametrize(("count", "words"), [(1, "an NVMe drive"), (2, "2 NVMe drives")])
def test_remapped_drives_are_unverified_with_their_number(count: int, words: str) -> None:
    (finding,) = judge(remapped(count))
    assert finding.kind is Kind.UNVERIFIED
    assert f"{words} behind 0000:00:17.0" in finding.summary
    assert finding.key == "0000:00/17.0"


@pytest.mark.parametrize("count", [0, None, Unread("remapped_nvme", "denied")])
def test_no_remapped_drive_is_nothing(count: object) -> None:
    assert judge(remapped(count)) == []


def test_a_card_that_shows_volumes_only_is_said() -> None:
    box = card_box("megaraid_sas")
    box.with_sata_drive(f"{CARD}/00.0/scsi-2.0", healthy=None, interface="scsi")
    (finding,) = judge(box)
    assert "megaraid_sas" in finding.summary
    assert not any("AHCI" in step for step in finding.next_steps)


@pytest.mark.parametrize("healthy", [True, False])
def test_a_card_that_passes_its_drives_through_hides_none(*, healthy: bool) -> None:
    assert judge(card_box("smartpqi").with_sata_drive(f"{CARD}/00.0/phy-0", healthy=healthy)) == []


@pytest.mark.parametrize(
    ("driver", "class_code"),
    [
        ("vmd", RAID),  # drivers/pci/controller/vmd.c: a domain of its own, in which the kernel sees the drives
        ("ahci", RAID),  # the firmware's RAID mode: SATA drives are seen
        ("mpt3sas", 0x010700),
    ],
)
def test_a_controller_whose_drives_the_kernel_sees_is_nothing(driver: str, class_code: int) -> None:
    assert judge(card_box(driver, class_code)) == []


def test_examples() -> None:
    check_examples(
        DRIVES_HIDDEN,
        None,
        example(Box().with_device("0000:00/17.0", class_code=SATA)),
        example(remapped(1), "notice 0000:00:17.0 | Watch these drives"),
    )
