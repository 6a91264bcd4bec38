"""md and ZFS arrays."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.arrays import (
    BLOCK,
    ZFS,
    parse_bad_blocks,
    parse_members_wanted,
    parse_sync_completed,
    read_arrays,
)
from laneproof_collectors.btrfs import BTRFS
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.unread import Unread
from simulation.fake_machine import FakeMachine, Tree, replay
from support.unread_answers import known, unread

MD = f"{BLOCK}/md0/md"


def member(name: str, slot: str, state: str = "in_sync", **files: str) -> Tree:
    fields = {"state": f"{state}\n", "slot": f"{slot}\n", "errors": "0\n", "bad_blocks": "", "size": "1\n"} | files
    return {f"{MD}/dev-{name}/{field}": value for field, value in fields.items()}


def raid5(*members: Tree, **files: str) -> Tree:
    fields = {
        "level": "raid5\n",
        "raid_disks": "3\n",
        "array_state": "clean\n",
        "degraded": "0\n",
        "sync_action": "idle\n",
        "sync_completed": "none\n",
        "sync_speed": "none\n",
        "mismatch_cnt": "0\n",
        "bitmap/location": "+8\n",
        "rd0": "",
    } | files
    laid: Tree = {f"{MD}/{field}": value for field, value in fields.items()}
    laid[f"{BLOCK}/md0/size"] = "15627790336\n"
    for part in members:
        laid |= part
    return laid


THREE = tuple(member(f"nvme{number}n1p1", str(number)) for number in range(3))


def array_of(machine: FakeMachine) -> Array:
    arrays = known(read_arrays(machine))
    (array,) = arrays
    return array


def test_an_array_that_is_well(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**raid5(*THREE), f"{BLOCK}/nvme0n1/size": "1\n", f"{BLOCK}/loop0": None})
    assert array_of(machine) == Array(
        name="md0",
        kind="md",
        level="raid5",
        state="clean",
        members_wanted=3,
        degraded=0,
        size_bytes=15627790336 * 512,
        members=tuple(
            ArrayMember(
                name=f"nvme{slot}n1p1", disk=f"nvme{slot}n1", state="in_sync", slot=slot, errors=0, bad_block_sectors=0
            )
            for slot in range(3)
        ),
        sync_action="idle",
        sync_completed=None,
        sync_bytes_per_second=None,
        mismatch_sectors=0,
    )


def test_a_recording_gives_the_same_arrays(fs: FakeFilesystem) -> None:
    live, replayed = replay(FakeMachine(fs, {**raid5(*THREE), f"{ZFS}/abyss/state": "ONLINE\n"}), read_arrays)
    assert replayed == live
    assert isinstance(live, tuple)
    assert len(live) == 2


def test_a_degraded_array_that_rebuilds(fs: FakeFilesystem) -> None:
    faulty = member("nvme1n1p1", "none", state="faulty,write_error", errors="24\n", bad_blocks="2048 8\n4096 16\n")
    array = array_of(
        FakeMachine(
            fs,
            raid5(
                THREE[0],
                faulty,
                member("nvme3n1p1", "1", state="spare"),
                degraded="1\n",
                array_state="active\n",
                sync_action="recover\n",
                sync_completed="1024 / 4096\n",
                sync_speed="204800\n",
            ),
        )
    )
    assert (array.degraded, array.sync_action, array.sync_completed) == (1, "recover", 0.25)
    assert array.sync_bytes_per_second == 204800 * 1024
    assert [(part.state, part.slot, part.errors, part.bad_block_sectors) for part in array.members] == [
        ("in_sync", 0, 0, 0),
        ("faulty,write_error", None, 24, 24),
        ("spare", 1, 0, 0),
    ]


def test_a_striped_array_has_neither_redundancy_nor_sync(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, raid5(*THREE, level="raid0\n"))
    for file in ("degraded", "sync_action", "sync_completed", "sync_speed", "mismatch_cnt"):
        machine.remove(f"{MD}/{file}")
    array = array_of(machine)
    assert (array.level, array.degraded, array.sync_action, array.mismatch_sectors) == ("raid0", None, None, None)


def test_a_named_array_is_found_and_a_partition_of_one_is_not(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, {f"{BLOCK}/md_kelp/md/array_state": "clean\n", f"{BLOCK}/md0p1/md/array_state": "clean\n"}
    )
    assert array_of(machine).name == "md_kelp"


def test_a_node_without_an_array_is_left_out(fs: FakeFilesystem) -> None:
    assert read_arrays(FakeMachine(fs, raid5(array_state="clear\n", level="\n", raid_disks="\n"))) == ()


def test_an_array_that_could_not_be_assembled_has_no_level(fs: FakeFilesystem) -> None:
    array = array_of(FakeMachine(fs, raid5(THREE[0], array_state="inactive\n", level="\n", raid_disks="\n")))
    assert (array.state, array.members_wanted) == ("inactive", None)
    assert isinstance(array.level, Unread)


@pytest.mark.parametrize(
    ("raw", "wanted"),
    [(b"4\n", 4), (b"4 (3)\n", 4), (b"3 (4)\n", 3), (b"\n", None), (b"many\n", Unread), (b"9" * 5000, Unread)],
)
def test_how_many_members_are_wanted(raw: bytes, wanted: int | type[Unread] | None) -> None:
    found = parse_members_wanted(raw, what="x")
    assert isinstance(found, Unread) if wanted is Unread else found == wanted


@pytest.mark.parametrize(
    ("raw", "share"),
    [
        (b"none\n", None),
        (b"delayed\n", 0.0),
        (b"0 / 100\n", 0.0),
        (b"100 / 100\n", 1.0),
        (b"1 / 1\n", 1.0),
        (b"0 / 0\n", Unread),
        (b"1 / 0\n", Unread),
        (b"5 / 4\n", Unread),
        (b"half\n", Unread),
        (b"", Unread),
    ],
)
def test_how_far_a_sync_is(raw: bytes, share: float | type[Unread] | None) -> None:
    found = parse_sync_completed(raw, what="x")
    assert isinstance(found, Unread) if share is Unread else found == share


@pytest.mark.parametrize(
    ("raw", "sectors"),
    [(b"", 0), (b"8 1\n", 1), (b"8 1\n64 512\n", 513), (b"8\n", Unread), (b"8 -1\n", Unread), (b"a b\n", Unread)],
)
def test_how_many_sectors_are_bad(raw: bytes, sectors: int | type[Unread]) -> None:
    found = parse_bad_blocks(raw, what="x")
    assert isinstance(found, Unread) if sectors is Unread else found == sectors


def test_a_member_taken_out_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, raid5(*THREE))
    machine.faults = {f"{MD}/dev-nvme1n1p1/{file}": errno.ENOENT for file in ("state", "slot", "errors", "bad_blocks")}
    assert [part.name for part in array_of(machine).members] == ["nvme0n1p1", "nvme2n1p1"]


def test_an_array_stopped_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{BLOCK}/md0/size": "0\n"})
    assert read_arrays(machine) == ()


def test_what_may_not_be_read_is_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, raid5(*THREE))
    machine.faults = {
        f"{MD}/degraded": errno.EACCES,
        f"{MD}/dev-nvme0n1p1/state": errno.EIO,
        f"{MD}/array_state": errno.EIO,
    }
    array = array_of(machine)
    assert isinstance(array.degraded, Unread)
    assert isinstance(array.state, Unread)
    assert isinstance(array.members[0].state, Unread)


@pytest.mark.parametrize("folder", [BLOCK, MD, BTRFS, ZFS])
def test_what_cannot_be_listed_makes_the_arrays_unread(fs: FakeFilesystem, folder: str) -> None:
    machine = FakeMachine(fs, raid5(*THREE))
    machine.faults[folder] = errno.EACCES
    assert unread(read_arrays(machine)).what == folder


def test_pools_are_reported_by_their_state(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            f"{ZFS}/abyss/state": "ONLINE\n",
            f"{ZFS}/trench/state": "DEGRADED\n",
            f"{ZFS}/arcstats": "13 1 0x01 147 39984\n",
        },
    )
    assert [(array.name, array.kind, array.state) for array in known(read_arrays(machine))] == [
        ("abyss", "zfs", "ONLINE"),
        ("trench", "zfs", "DEGRADED"),
    ]


def test_a_machine_without_arrays_has_none(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{BLOCK}/nvme0n1/size": "1\n"})
    assert read_arrays(machine) == ()
    assert len(machine.asked) == 3
