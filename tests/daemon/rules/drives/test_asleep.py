"""Drives that sleep: what they reported last stands for a week."""

from typing import Any

from boxes.snapshot_box import NVME, Box, declare, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof_collectors.unread import Reason, Unread

PATH, BAY = "0000:00/01.1", "0000:00/17.0/ata-1"
ASLEEP = Unread("what the drive itself reports", "it is in standby and is not woken by a reading", Reason.NOT_ASKED)
BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\n[[position]]\nlabel = "bay-1"\npath = "{BAY}"\n')


def disk(*, asleep: bool, **facts: Any) -> Box:
    if asleep:
        facts = dict.fromkeys(("healthy", "pending_sectors", "reallocated_sectors", "uncorrectable_sectors"), ASLEEP)
    return Box().with_device("0000:00/17.0", class_code=0x010601).with_sata_drive(BAY, asleep=asleep, **facts)


def test_an_nvme_drive_that_sleeps_and_wakes_is_no_news_until_it_was_unread_for_a_week() -> None:
    watcher = Watcher("critical-warning", BUILD)
    for _ in range(20):
        watcher.observe(one_drive(), after=HOUR).observe(one_drive(health=ASLEEP), after=HOUR)
    assert watcher.changes == []
    watcher.observe(one_drive(health=ASLEEP), after=DAY, times=9)
    assert watcher.became == ["raised"]
    assert (watcher.standing[0].kind, watcher.standing[0].position) == ("unverified", "riser-1")
    watcher.observe(one_drive(), after=DAY)
    assert watcher.became == ["raised", "cleared"]


def test_a_drive_that_was_never_read_is_unverified_though_it_only_sleeps() -> None:
    watcher = Watcher("critical-warning", BUILD).observe(one_drive(health=ASLEEP))
    assert [finding.kind for finding in watcher.standing] == ["unverified"]
    assert "not woken" in watcher.standing[0].next_steps[0]


def test_what_a_drive_warned_of_stands_while_it_sleeps() -> None:
    watcher = Watcher("critical-warning", BUILD).observe(one_drive(health={"critical_warning": 8}))
    for _ in range(5):
        watcher.observe(one_drive(health=ASLEEP), after=HOUR).observe(
            one_drive(health={"critical_warning": 8}), after=HOUR
        )
    assert [change[:2] for change in watcher.changes] == [("raised", "critical")]


def test_a_disk_in_standby_is_no_news_and_what_it_counted_stands() -> None:
    warned, sectors = Watcher("critical-warning", BUILD), Watcher("sectors-failing", BUILD)
    for _ in range(5):
        for watcher in (warned, sectors):
            watcher.observe(disk(asleep=False, pending_sectors=8), after=HOUR).observe(disk(asleep=True), after=HOUR)
    assert warned.changes == []
    assert sectors.became == ["raised"]
    assert sectors.standing[0].position == "bay-1"


def unserved(driver: str | None) -> Box:
    return Box().with_port(PATH).with_device(PATH, class_code=NVME, function={"driver": driver})


def test_a_drive_that_is_lent_to_a_virtual_machine_is_left_alone_for_a_week() -> None:
    watcher = Watcher("critical-warning", BUILD).observe(one_drive())
    watcher.observe(unserved("vfio-pci"), after=DAY, times=6)
    assert watcher.changes == []
    watcher.observe(unserved("vfio-pci"), after=3 * DAY)
    assert "lent to a virtual machine" in watcher.standing[0].summary


def test_a_drive_without_a_driver_is_unverified_after_an_hour() -> None:
    watcher = Watcher("critical-warning", BUILD).observe(one_drive()).observe(unserved(None), after=600.0)
    assert watcher.changes == []
    watcher.observe(unserved(None), after=HOUR)
    assert [finding.kind for finding in watcher.standing] == ["unverified"]
