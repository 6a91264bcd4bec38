"""btrfs as its module shows it."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.btrfs import BTRFS, parse_error_statistics, read_btrfs
from laneproof_collectors.disks.whole_disks import BLOCK_CLASS
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree, replay
from support.unread_answers import known

UUID = "3d7e8a52-1c4b-4f7e-9a10-7b5c2e6f9d01"
FOLDER = f"{BTRFS}/{UUID}"
QUIET = "write_errs 0\nread_errs 0\nflush_errs 0\ncorruption_errs 0\ngeneration_errs 0\n"
NAMES = ["write_errs", "read_errs", "flush_errs", "corruption_errs", "generation_errs"]


def device(number: int, missing: str = "0\n", statistics: str = QUIET, target: str = "0\n") -> dict[str, str]:
    folder = f"{FOLDER}/devinfo/{number}"
    return {f"{folder}/missing": missing, f"{folder}/error_stats": statistics, f"{folder}/replace_target": target}


def tree(*devices: dict[str, str], names: tuple[str, ...] = ("nvme0n1", "nvme1n1")) -> Tree:
    laid: Tree = {
        f"{BTRFS}/features/raid1c34": "0\n",
        f"{FOLDER}/label": "hydrophones\n",
        f"{FOLDER}/allocation/data/raid1/used_bytes": "0\n",
        f"{FOLDER}/allocation/data/flags": "1\n",
        f"{FOLDER}/devices": None,
    }
    for files in devices:
        laid |= files
    for name in names:
        laid |= {f"{FOLDER}/devices/{name}": f"-> ../../../../devices/{name}", f"{BLOCK_CLASS}/{name}": "-> x"}
    return laid


def array_of(machine: FakeMachine) -> Array:
    arrays = known(read_btrfs(machine))
    (array,) = arrays
    return array


def states_of(array: Array) -> list[tuple[str, str, object]]:
    return [(member.name, member.disk, member.state) for member in array.members]


def test_two_devices_that_are_well(fs: FakeFilesystem) -> None:
    assert array_of(FakeMachine(fs, tree(device(1), device(2)))) == Array(
        name="hydrophones",
        kind="btrfs",
        level="raid1",
        state="online",
        members_wanted=2,
        degraded=0,
        size_bytes=None,
        members=(
            ArrayMember(name="nvme0n1", disk="nvme0n1", state="present", slot=None, errors=None),
            ArrayMember(name="nvme1n1", disk="nvme1n1", state="present", slot=None, errors=None),
        ),
        error_statistics={f"devid {number}": dict.fromkeys(NAMES, 0) for number in (1, 2)},
    )


def test_a_recording_gives_the_same_arrays(fs: FakeFilesystem) -> None:
    live, replayed = replay(FakeMachine(fs, tree(device(1), device(2, missing="1\n"))), read_btrfs)
    assert replayed == live != ()


def test_a_device_missing_at_mount_goes_by_its_number(fs: FakeFilesystem) -> None:
    array = array_of(FakeMachine(fs, tree(device(1), device(2, missing="1\n"), names=("nvme0n1p2",))))
    assert (array.state, array.degraded, array.members_wanted) == ("degraded", 1, 2)
    assert states_of(array) == [("nvme0n1p2", "nvme0n1", "present"), ("devid 2", "", "missing")]
    assert array.members[1].slot == 2


def test_a_device_that_went_while_in_use_is_missing(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2)))
    machine.remove(f"{BLOCK_CLASS}/nvme1n1")
    array = array_of(machine)
    assert (array.state, array.degraded) == ("degraded", 1)
    assert states_of(array)[1] == ("nvme1n1", "nvme1n1", "missing")


def test_a_machine_that_shows_no_disks_at_all_makes_none_missing(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2)))
    machine.remove(BLOCK_CLASS)
    assert array_of(machine).degraded == 0


def test_errors_of_a_single_device_go_by_its_name(fs: FakeFilesystem) -> None:
    errors = QUIET.replace("read_errs 0", "read_errs 18446744073709551615")
    array = array_of(FakeMachine(fs, tree(device(1, statistics=errors), names=("sda1",))))
    assert array.error_statistics == {"sda1": dict.fromkeys(NAMES, 0) | {"read_errs": 2**64 - 1}}


def test_the_target_of_a_replacement_is_no_member_yet(fs: FakeFilesystem) -> None:
    array = array_of(FakeMachine(fs, tree(device(0, target="1\n"), device(1), device(2))))
    assert array.members_wanted == 2


def test_a_conversion_shows_both_levels(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2)))
    machine.put({f"{FOLDER}/allocation/data/raid5/used_bytes": "0\n"})
    assert array_of(machine).level == "raid1+raid5"


def test_without_a_label_the_uuid_names_it(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1)))
    machine.put({f"{FOLDER}/label": "\n"})
    assert array_of(machine).name == UUID


def test_an_older_kernel_without_device_folders(fs: FakeFilesystem) -> None:
    array = array_of(FakeMachine(fs, tree()))
    assert (array.members_wanted, array.degraded, array.error_statistics) == (None, 0, {})


def test_devices_that_cannot_be_listed_are_not_all_there(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2)))
    machine.faults[f"{FOLDER}/devinfo"] = errno.EACCES
    array = array_of(machine)
    assert [
        known.reason for known in (array.members_wanted, array.degraded, array.state) if isinstance(known, Unread)
    ] == [Reason.DENIED] * 3


def test_whether_a_device_is_missing_may_be_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2)))
    machine.faults[f"{FOLDER}/devinfo/2/missing"] = errno.EIO
    array = array_of(machine)
    assert isinstance(array.degraded, Unread)
    assert isinstance(array.state, Unread)


@pytest.mark.parametrize("content", ["invalid\n", "", "write_errs\n", "write_errs -1\n", "write_errs " + "9" * 30])
def test_error_statistics_that_are_none_are_unread(fs: FakeFilesystem, content: str) -> None:
    assert isinstance(parse_error_statistics(content.encode(), what="x"), Unread)
    statistics = array_of(FakeMachine(fs, tree(device(1, statistics=content), device(2)))).error_statistics
    assert isinstance(statistics["devid 1"], Unread)
    assert statistics["devid 2"] == dict.fromkeys(NAMES, 0)


def test_an_older_kernel_and_a_missing_device_have_no_error_statistics(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1), device(2, missing="1\n", statistics="invalid\n")))
    machine.faults[f"{FOLDER}/devinfo/1/error_stats"] = errno.ENOENT
    assert array_of(machine).error_statistics == {}


def test_a_file_system_that_is_unmounted_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1)))
    machine.faults[f"{FOLDER}/devices"] = errno.ENOENT
    assert read_btrfs(machine) == ()


def test_devices_that_cannot_be_listed_make_it_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, tree(device(1)))
    machine.faults[f"{FOLDER}/devices"] = errno.EACCES
    assert isinstance(read_btrfs(machine), Unread)


def test_a_kernel_without_btrfs_has_none(fs: FakeFilesystem) -> None:
    assert read_btrfs(FakeMachine(fs)) == ()
