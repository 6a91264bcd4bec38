"""What passes add up to of the box: counters' growth, arrays' checks, fans, writable file systems."""

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.simulated_past import DAY, HOUR
from boxes.snapshot_box import A_MORNING, Box, make_array, make_interface, make_memory, make_sata_drive
from laneproof.past.box_record import BoxRecord, component_bytes, follow_box, key_of, name_fans
from laneproof_collectors.snapshot import (
    Array,
    EdacController,
    Fan,
    Interface,
    MountedFileSystem,
    SataDrive,
    Snapshot,
    Thermal,
)
from laneproof_collectors.unread import Unread

WEEK = 7 * DAY
CARRIER = key_of("interface", "wan0", "carrier_changes")
CORRECTED = key_of("memory", "mc0", "correctable")
DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def pass_with(seconds: float, *, boot: str = "one", **groups: Any) -> Snapshot:
    box = Box().with_group(**groups).with_firmware(boot_id=boot)
    return box.snapshot(taken_at=A_MORNING + seconds)


def port(changes: int) -> tuple[Interface, ...]:
    return (make_interface("wan0", carrier_changes=changes),)


def run(*passes: Snapshot) -> BoxRecord:
    book = BoxRecord()
    for taken in passes:
        book = follow_box(book, taken)
    return book


def with_interfaces(seconds: float, changes: int, *, boot: str = "one") -> Snapshot:
    made = Box().with_firmware(boot_id=boot).snapshot(taken_at=A_MORNING + seconds)
    return replace(made, interfaces=port(changes))


# --- counters ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "grown"),
    [
        (((0, 40, "one"),), 0),  # what was counted before the first pass
        (((0, 2, "one"), (30, 4, "one"), (3 * HOUR, 9, "one")), 7),
        (((0, 50, "one"), (60, 1, "one"), (120, 2, "one")), 1),  # it fell, and began again
        (((0, 2, "one"), (DAY, 3, "two")), 0),  # a port comes up at each boot, which is a change of its carrier
    ],
)
def test_growth_is_what_was_counted_while_it_was_watched(readings: Sequence[Any], grown: int) -> None:
    book = run(*(with_interfaces(seconds, changes, boot=boot) for seconds, changes, boot in readings))
    end = readings[-1][0]
    assert book.grown(CARRIER, within=WEEK, now=A_MORNING + end) == grown
    assert book.watched(CARRIER, now=A_MORNING + end + 60) == end + 60


def test_growth_fades_with_time() -> None:
    book = run(with_interfaces(0, 2), with_interfaces(30, 12), with_interfaces(3 * DAY, 13))
    assert book.grown(CARRIER, within=DAY, now=A_MORNING + 3 * DAY) == 1
    assert book.grown(CARRIER, within=WEEK, now=A_MORNING + 3 * DAY) == 11
    early = run(with_interfaces(0, 2), with_interfaces(30, 12))
    for now, grown in ((2 * HOUR, 10), (4 * HOUR, 0)):
        assert early.grown(CARRIER, within=2 * HOUR, now=A_MORNING + now) == grown
        assert early.hours_grown(CARRIER, within=2 * HOUR, now=A_MORNING + now) == bool(grown)


def test_a_week_is_kept_and_no_more() -> None:
    passes = [with_interfaces(number * HOUR, number) for number in range(500)]
    hours = run(*passes).growth[CARRIER].hours
    assert len(hours) <= WEEK / HOUR + 1


def test_memory_errors_of_a_new_boot_are_growth_from_zero() -> None:
    def observe(seconds: float, count: int, boot: str) -> Snapshot:
        edac = (EdacController(name="mc0", correctable=count, uncorrectable=0),)
        return pass_with(seconds, boot=boot, memory=replace(make_memory(), edac=edac))

    book = run(observe(0, 5, "one"), observe(DAY, 3, "two"))
    assert book.grown(CORRECTED, within=WEEK, now=A_MORNING + DAY) == 3


def test_drives_own_counters_go_on_over_boots() -> None:
    def observe(seconds: float, count: int, boot: str) -> Snapshot:
        return pass_with(seconds, boot=boot, drives=(make_sata_drive("sda", None, interface_errors=count),))

    book = run(observe(0, 5, "one"), observe(DAY, 9, "two"))
    assert book.grown(key_of("drive", "GSsda", "interface_errors"), within=WEEK, now=A_MORNING + DAY) == 4


def test_what_could_not_be_read_leaves_what_was_known() -> None:
    gap = Unread("/sys/class/net", "permission denied")
    unread = replace(with_interfaces(60, 0), interfaces=gap, memory=gap, thermal=gap, drives=gap, arrays=gap)
    book = run(with_interfaces(0, 2), unread, with_interfaces(120, 5))
    assert book.grown(CARRIER, within=DAY, now=A_MORNING + 120) == 3


@given(st.lists(st.integers(min_value=0, max_value=1000), min_size=1, max_size=30))
def test_growth_is_never_negative_nor_more_than_was_counted_up(values: list[int]) -> None:
    book = run(*(with_interfaces(60.0 * number, value) for number, value in enumerate(values)))
    grown = book.grown(CARRIER, within=WEEK, now=A_MORNING + 60.0 * len(values))
    assert grown == sum(max(0, now - before) for before, now in itertools.pairwise(values))


# --- arrays' checks ---------------------------------------------------------------------------------------------------


def checking(seconds: float, share: float | None, *, action: str = "check", **facts: Any) -> Snapshot:
    return pass_with(seconds, arrays=(make_array("md0", DISKS, sync_action=action, sync_completed=share, **facts),))


def ran(action: str = "check", *, step: float = 0.01, passes: int = 100) -> list[Snapshot]:
    return [checking(30.0 * number, number * step, action=action) for number in range(passes)]


# two of three members hold the data: 4 TB each; at 200 MB/s the last tenth takes about 2000 s
SPEED: dict[str, Any] = {"size_bytes": 8_000_000_000_000, "sync_bytes_per_second": 200e6}


@pytest.mark.parametrize(
    ("passes", "idle_at", "ended"),
    [
        ([checking(0, None, action="idle")], DAY, False),
        (ran(), 3000, True),
        (ran("repair"), 3000, True),
        (ran(step=0.05, passes=20), 600, True),  # it ended between two passes
        (ran("recover"), 3000, False),  # a rebuild is no check
        (ran(step=0.001, passes=500), 15_030, False),  # it was stopped half way
        ([checking(0, 0.9, **SPEED)], 2 * HOUR, True),
        ([checking(0, 0.9, **SPEED)], 300, False),
        ([checking(0, 0.5, level="raid10", sync_bytes_per_second=None)], 9 * HOUR, False),  # its pace is not known
    ],
)
def test_a_check_is_remembered_where_it_came_to_its_end(passes: list[Snapshot], idle_at: float, ended: bool) -> None:
    checks = run(*passes, checking(idle_at, None, action="idle")).checks["md0"]
    assert (checks.since, checks.share) == (A_MORNING, None)
    assert checks.ended_at == (A_MORNING + idle_at if ended else None)


def test_a_share_that_cannot_be_read_leaves_the_last_one() -> None:
    begun = [checking(0, None), checking(60, 0.5), checking(120, None)]
    assert [run(*begun[:number]).checks["md0"].share for number in (1, 2, 3)] == [0.0, 0.5, 0.5]


def test_next_check_leaves_the_end_of_the_last_one() -> None:
    first = [checking(30.0 * number, number / 10) for number in range(11)]
    second = [checking(DAY, None, action="idle"), checking(2 * DAY, 0.1)]
    assert run(*first, *second).checks["md0"].ended_at == A_MORNING + DAY


# Source: md(4): a RAID 5 of n members holds n - 1 of them, a RAID 6 n - 2, a mirror one.
@pytest.mark.parametrize(
    ("level", "wanted", "parts"), [("raid5", 4, 3), ("raid6", 6, 4), ("raid1", 3, 1), ("raid4", 3, 2)]
)
def test_part_of_each_member(level: str, wanted: int, parts: int) -> None:
    array: Array = make_array("md0", DISKS, level=level, members_wanted=wanted, size_bytes=parts * 4000)
    assert component_bytes(array) == 4000


@pytest.mark.parametrize(
    "facts", [{"level": "raid10"}, {"level": Unread("level", "x")}, {"size_bytes": None}, {"members_wanted": None}]
)
def test_part_of_each_member_may_not_be_known(facts: dict[str, object]) -> None:
    assert component_bytes(make_array("md0", DISKS, **facts)) is None


# --- fans and file systems --------------------------------------------------------------------------------------------


def fan(rpm: int | Unread, label: str = "fan1") -> Fan:
    return Fan(chip="board", label=label, rpm=rpm, minimum_rpm=None, alarm=None)


def test_fan_that_turned_is_remembered_with_when() -> None:
    turning, still = Thermal(fans=(fan(900), fan(0, "fan2"))), Thermal(fans=(fan(0), fan(0, "fan2")))
    book = run(pass_with(0, thermal=turning), pass_with(60, thermal=still))
    assert book.turning == {"board fan1": A_MORNING}
    assert (book.still, book.rests) == ({"board fan1": A_MORNING + 60}, {})
    put_right = follow_box(book, pass_with(2 * DAY, thermal=still), clock_set_by=2 * DAY - 120)
    assert put_right.still == {"board fan1": A_MORNING + 2 * DAY - 60}
    book = follow_box(book, pass_with(120, thermal=turning))
    assert (book.still, book.rests) == ({}, {"board fan1": 1})


def test_fans_of_one_name_are_kept_apart() -> None:
    assert [name for name, _ in name_fans((fan(1), fan(2), fan(3, "fan2")))] == [
        "board fan1",
        "board fan1 #2",
        "board fan2",
    ]


def test_file_system_is_remembered_as_writable_with_its_boot() -> None:
    def mounted(*, read_only: bool | Unread) -> tuple[MountedFileSystem, ...]:
        return (
            MountedFileSystem(
                mount="/srv", device="/dev/md0", kind="ext4", size_bytes=1, available_bytes=1, read_only=read_only,
                declared_read_only=False,
            ),
        )  # fmt: skip

    book = run(pass_with(0, file_systems=mounted(read_only=False)), pass_with(60, file_systems=mounted(read_only=True)))
    assert book.writable == {"/dev/md0 at /srv": "one"}
    assert run(pass_with(0, file_systems=mounted(read_only=True))).writable == {}


def test_boot_of_an_unread_firmware_changes_nothing() -> None:
    unread = replace(with_interfaces(60, 5), firmware=Unread("firmware", "x"))
    book = run(with_interfaces(0, 2), unread, with_interfaces(120, 6))
    assert book.grown(CARRIER, within=DAY, now=A_MORNING + 120) == 4


def test_a_clock_put_right_by_years_ages_no_growth() -> None:
    year = 365 * DAY
    book = run(pass_with(0, interfaces=port(1)), pass_with(HOUR, interfaces=port(4)))
    book = follow_box(book, pass_with(5 * year, boot="two", interfaces=port(0)), clock_set_by=5 * year - 2 * HOUR)
    assert book.grown(CARRIER, within=DAY, now=A_MORNING + 5 * year) == 3
    assert book.watched(CARRIER, now=A_MORNING + 5 * year) == 2 * HOUR


def test_sata_drives_that_share_a_serial_number_are_counted_apart() -> None:
    def pair(second: int) -> tuple[SataDrive, ...]:
        drives = ((name, 0 if name == "sda" else second) for name in ("sda", "sdb"))
        return tuple(
            make_sata_drive(name, serial="0123", path=f"0000:00/17.0/ata-{name}", interface_errors=errors)
            for name, errors in drives
        )

    book = run(pass_with(0, drives=pair(5)), pass_with(HOUR, drives=pair(7)))
    grown = {key: book.grown(key, within=WEEK, now=A_MORNING + HOUR) for key in book.growth if "interface" in key}
    assert grown == {
        "drive 0000:00/17.0/ata-sda interface_errors": 0,
        "drive 0000:00/17.0/ata-sdb interface_errors": 2,
    }
