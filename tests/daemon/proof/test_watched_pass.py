"""One second as it is read from a snapshot, and whose the kernel's words are."""

import dataclasses
from typing import Any

import pytest

from boxes.proven_box import RISER_3, disks, kelp, targets
from laneproof.box.placement import arrange
from laneproof.proof.targets import find_targets
from laneproof.proof.watched_pass import WatchedDrive, WatchedPass, list_occurrences, watch_arrangement
from laneproof_collectors.hotplug import device_events
from laneproof_collectors.kernel_log.reading import kernel_events
from laneproof_collectors.snapshot import BlockStatistics, Fan, Snapshot, Thermal
from laneproof_collectors.unread import Reason, Unread

TARGET = next(target for target in targets().drives if target.name == RISER_3)
NAME = next(alias for alias in TARGET.aliases if alias == TARGET.disk.removesuffix("n1"))


def read(snapshot: Snapshot) -> WatchedPass:
    return watch_arrangement(arrange(kelp().build, snapshot), targets(), 1.0)


def test_a_second_holds_every_drive_and_link_with_its_counts() -> None:
    reading = read(kelp().snapshot)
    drive, link = reading.drives[RISER_3], reading.links[TARGET.path]
    assert drive.is_there
    assert drive.celsius is not None
    assert drive.read_bytes is not None
    assert (link.gt_s, link.lanes) == (16.0, 4)
    assert link.port is not None
    assert "RxErr" in link.port


def test_a_function_that_vanished_is_a_drive_that_is_gone() -> None:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.functions, Unread)
    left = tuple(function for function in snapshot.functions if function.path != TARGET.path)
    assert not read(dataclasses.replace(snapshot, functions=left)).drives[RISER_3].is_there


def test_an_end_without_error_counters_had_no_serious_error() -> None:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.functions, Unread)
    bare = tuple(dataclasses.replace(function, aer=None) for function in snapshot.functions)
    link = read(dataclasses.replace(snapshot, functions=bare)).links[TARGET.path]
    assert (link.port, link.device, link.serious) == (None, None, 0)


def test_a_dead_controller_is_a_drive_that_is_gone() -> None:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.controllers, Unread)
    dead = tuple(
        dataclasses.replace(each, state="dead") if each.name == NAME else each for each in snapshot.controllers
    )
    assert not read(dataclasses.replace(snapshot, controllers=dead)).drives[RISER_3].is_there


def test_without_the_list_of_functions_the_watch_has_failed() -> None:
    reading = read(dataclasses.replace(kelp().snapshot, functions=Unread("/sys/bus/pci/devices", "denied")))
    assert reading.failed is not None


@pytest.mark.parametrize(
    ("message", "kind"),
    [
        (f"nvme {NAME}: I/O 23 QID 4 timeout, aborting", "time-out"),
        (f"nvme {NAME}: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10", "reset"),
        (f"nvme {NAME}: Removing after probe failure status: -19", "gone"),
        ("nvme nvme77: I/O 23 QID 4 timeout, aborting", None),
    ],
)
def test_what_the_log_says_is_put_to_its_drive(message: str, kind: str | None) -> None:
    """The lines are the kernel's own (drivers/nvme/host/pci.c, ``nvme_timeout``, ``nvme_warn_reset``)."""
    found = list(list_occurrences(kernel_events([f"4,100,5000000,-;{message}"]), (), targets()))
    assert [(each.name, each.kind) for each in found] == ([(RISER_3, kind)] if kind else [])


@pytest.mark.parametrize(("subsystem", "name", "gone"), [("nvme", NAME, RISER_3), ("block", "sda", "bay-1")])
def test_a_controller_or_a_disk_that_left_is_gone(subsystem: str, name: str, gone: str) -> None:
    event = {"ACTION": "remove", "DEVPATH": f"/devices/pci0000:00/x/{subsystem}/{name}", "SUBSYSTEM": subsystem}
    loaded = targets() if subsystem == "nvme" else find_targets(disks())
    (found,) = list_occurrences((), device_events([event]), loaded)
    assert (found.name, found.kind) == (gone, "gone")


def test_a_fan_that_does_not_turn_is_named() -> None:
    turns: dict[str, int | Unread] = {"fan1": 0, "fan2": 1, "fan3": Unread("fan3_input", "no data")}
    fans = [Fan(chip="board", label=label, rpm=rpm, minimum_rpm=None, alarm=None) for label, rpm in turns.items()]
    snapshot = dataclasses.replace(kelp().snapshot, thermal=Thermal(fans=tuple(fans)))
    assert read(snapshot).stopped_fans == {"board fan1"}


COUNTS = BlockStatistics(reads=3, read_bytes=4096, read_milliseconds=2, writes=0, written_bytes=0,
                         write_milliseconds=0, busy_milliseconds=2)  # fmt: skip


def read_first_disk(counts: BlockStatistics | Unread, **facts: Any) -> WatchedDrive:
    found = disks(**facts)
    return watch_arrangement(found, find_targets(found), 1.0, {"sda": counts}).drives["bay-1"]


def test_a_disk_is_read_from_the_kernel_s_counts_and_smartctl() -> None:
    known = {"reallocated_sectors": 2, "pending_sectors": Unread("197", "not reported"), "uncorrectable_sectors": None}
    drive = read_first_disk(COUNTS, **known, interface_errors=7, healthy=False)
    assert (drive.read_bytes, drive.reads, drive.celsius) == (4096, 3, 35.0)
    assert (drive.media_errors, drive.transfer_errors) == (2, 7)
    assert drive.warning == "that it is failing"


def test_what_a_disk_does_not_report_is_not_known() -> None:
    unread = Unread("smartctl of sda", "it is in standby", Reason.NOT_ASKED)
    names = ("reallocated_sectors", "pending_sectors", "uncorrectable_sectors", "interface_errors", "healthy")
    drive = read_first_disk(COUNTS, temperature_celsius=unread, **dict.fromkeys(names, unread))
    assert (drive.is_there, drive.read_bytes, drive.celsius) == (True, 4096, None)
    assert (drive.media_errors, drive.transfer_errors, drive.warning) == (None, None, "")


def test_a_disk_whose_counts_the_kernel_took_away_is_gone() -> None:
    assert not read_first_disk(Unread("sda", "no such file", Reason.ABSENT, "ENOENT")).is_there
    assert read_first_disk(Unread("sda", "timed out", Reason.TIMED_OUT)).is_there
