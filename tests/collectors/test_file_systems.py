"""File systems on the box's disks: which, how full, and whether they turned read-only."""

import errno
import json
import subprocess
from pathlib import Path

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.file_systems import (
    MACHINES_TABLE,
    OWN_TABLE,
    choose_mounts,
    parse_mount_info,
    read_file_systems,
)
from laneproof_collectors.questions import FileSystem, FileSystemFigures
from laneproof_collectors.snapshot import MountedFileSystem
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, replay
from support.unread_answers import known, unread

TABLE = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
23 27 0:24 / /run rw,nosuid shared:5 - tmpfs tmpfs rw,mode=755
27 1 259:2 / / rw,relatime shared:1 - ext4 /dev/nvme0n1p2 rw,errors=remount-ro
40 27 9:0 / /srv/hydro\040phones rw,noatime shared:2 master:3 - xfs /dev/md0 rw,inode64
41 27 9:0 /old /mnt rw,noatime - xfs /dev/md0 rw,inode64
42 27 0:40 /@data /pool rw - btrfs /dev/sda1 rw,subvol=/@data
43 27 0:40 /@home /home rw - btrfs /dev/sda1 rw,subvol=/@home
44 27 0:45 / /abyss/raw/2026 rw - zfs abyss/raw/2026 rw,xattr
45 27 0:44 / /abyss rw - zfs abyss rw,xattr
46 27 0:50 / /nas rw - nfs4 nas:/export rw
47 27 7:0 / /snap/x ro - squashfs /dev/loop0 ro
48 27 254:0 / /vault rw - ext4 /dev/mapper/vault rw
"""
FIGURES = FileSystemFigures(size_bytes=4000, free_bytes=1500, available_bytes=1000, read_only=False)


def machine_with(fs: FakeFilesystem, table: str, path: str = MACHINES_TABLE) -> FakeMachine:
    return FakeMachine(fs, {path: table})


def file_systems_of(machine: FakeMachine) -> dict[str, MountedFileSystem]:
    found = known(read_file_systems(machine))
    return {mounted.mount: mounted for mounted in found}


def flags_of(machine: FakeMachine) -> dict[str, tuple[object, bool | None]]:
    return {mount: (entry.read_only, entry.declared_read_only) for mount, entry in file_systems_of(machine).items()}


def test_each_file_system_on_a_disk_appears_once(fs: FakeFilesystem) -> None:
    found = file_systems_of(machine_with(fs, TABLE))
    assert {mount: (entry.device, entry.kind) for mount, entry in found.items()} == {
        "/": ("/dev/nvme0n1p2", "ext4"),
        "/srv/hydro phones": ("/dev/md0", "xfs"),
        "/home": ("/dev/sda1", "btrfs"),
        "/abyss": ("abyss", "zfs"),
        "/vault": ("/dev/mapper/vault", "ext4"),
    }


def test_figures_are_those_of_the_file_system(fs: FakeFilesystem) -> None:
    machine = machine_with(fs, TABLE)
    machine.answers[FileSystem("/srv/hydro phones")] = FIGURES
    entry = file_systems_of(machine)["/srv/hydro phones"]
    assert (entry.size_bytes, entry.available_bytes) == (4000, 1000)


def test_fullness_is_that_of_psutil_and_df() -> None:
    """What is kept for root counts neither as used nor as room: used / (used + available)."""
    usage = psutil.disk_usage("/")
    free = usage.total - usage.used
    entry = MountedFileSystem(
        mount="/", device="x", kind="ext4", size_bytes=usage.total, available_bytes=usage.free, free_bytes=free,
        read_only=False, declared_read_only=False,
    )  # fmt: skip
    assert isinstance(entry.used_share, float)
    assert entry.used_share * 100 == pytest.approx(usage.percent, abs=0.06)


def test_fullness_of_what_has_no_size_is_none() -> None:
    def share(size: int | Unread, available: int) -> object:
        return MountedFileSystem(
            mount="/", device="x", kind="ext4", size_bytes=size, available_bytes=available, free_bytes=available,
            read_only=False, declared_read_only=False,
        ).used_share  # fmt: skip

    assert share(0, 0) is None
    assert share(100, 25) == 0.75
    assert isinstance(share(Unread("statvfs", "x"), 0), Unread)


def test_a_recording_gives_the_same_file_systems(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {"/proc/77/mountinfo": TABLE, "/proc/self": "-> 77"})
    mounts = ("/", "/srv/hydro phones", "/home", "/abyss", "/vault")
    machine.answers |= {FileSystem(mount): FIGURES for mount in mounts}
    live, replayed = replay(machine, read_file_systems)
    assert replayed == live != ()


def test_a_file_system_that_does_not_answer_keeps_its_place(fs: FakeFilesystem) -> None:
    found = file_systems_of(machine_with(fs, TABLE))  # /vault is in the table and nowhere else
    assert isinstance(found["/vault"].size_bytes, Unread)
    assert isinstance(found["/vault"].available_bytes, Unread)
    assert found["/vault"].read_only is False


@pytest.mark.parametrize(
    ("mount_options", "super_options", "expected"),
    [
        ("rw,relatime", "rw,errors=remount-ro", (False, False)),
        ("rw,relatime", "ro,errors=remount-ro", (True, False)),  # an error turned it
        ("rw,relatime", "rw,emergency_ro", (True, False)),
        ("ro,relatime", "ro", (True, True)),  # mounted so by a person
        ("ro,relatime", "rw", (False, True)),
    ],
)
def test_a_file_system_that_turned_read_only_is_told_from_one_mounted_so(
    fs: FakeFilesystem, mount_options: str, super_options: str, expected: tuple[bool, bool]
) -> None:
    table = f"27 1 9:0 / /srv {mount_options} - ext4 /dev/md0 {super_options}\n"
    assert flags_of(machine_with(fs, table)) == {"/srv": expected}


def test_a_sandbox_leaves_open_what_was_mounted_read_only(fs: FakeFilesystem) -> None:
    sandbox = TABLE.replace("rw,noatime shared:2 master:3 - xfs /dev/md0 rw", "ro,noatime - xfs /dev/md0 ro")
    sandbox = sandbox.replace("/ / rw,relatime", "/ / ro,relatime")
    machine = machine_with(fs, sandbox, OWN_TABLE)
    machine.faults[MACHINES_TABLE] = errno.EACCES
    flags = flags_of(machine)
    assert flags["/"] == (False, None)
    assert flags["/srv/hydro phones"] == (True, None)


def test_the_machines_own_table_outdoes_that_of_a_sandbox(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {MACHINES_TABLE: TABLE, OWN_TABLE: TABLE.replace("rw", "ro")})
    assert set(flags_of(machine).values()) == {(False, False)}


def test_another_containers_table_is_not_believed(fs: FakeFilesystem) -> None:
    inside = "90 1 0:99 / / rw - overlay overlay rw\n91 90 9:0 / /data rw - xfs /dev/md0 rw\n"
    assert list(file_systems_of(FakeMachine(fs, {MACHINES_TABLE: TABLE, OWN_TABLE: inside}))) == ["/data"]


def test_what_is_mounted_over_hides_what_was_there(fs: FakeFilesystem) -> None:
    table = "1 0 9:0 / /srv rw - xfs /dev/md0 rw\n2 1 9:1 / /srv rw - xfs /dev/md1 rw\n"
    assert file_systems_of(machine_with(fs, table))["/srv"].device == "/dev/md1"


def test_a_table_that_may_not_be_read_is_unread(fs: FakeFilesystem) -> None:
    machine = machine_with(fs, TABLE)
    machine.faults = dict.fromkeys((MACHINES_TABLE, OWN_TABLE), errno.EACCES)
    assert unread(read_file_systems(machine)).reason is Reason.DENIED


def test_no_table_at_all_is_unread(fs: FakeFilesystem) -> None:
    assert isinstance(read_file_systems(FakeMachine(fs)), Unread)


@given(st.binary() | st.lists(st.binary() | st.sampled_from(TABLE.encode().splitlines())).map(b"\n".join))
def test_any_table_gives_mounts(raw: bytes) -> None:
    mounts = list(parse_mount_info(raw))
    assert {mount.mount for mount in choose_mounts(mounts)} <= {mount.mount for mount in mounts}


@given(st.lists(st.sampled_from([*TABLE.splitlines(), "a - b", " - ", "1 2 3 4 5 6 - x y", "\\777"])))
def test_any_order_of_lines_gives_each_file_system_once(lines: list[str]) -> None:
    chosen = choose_mounts(parse_mount_info("\n".join(lines).encode()))
    assert len({mount.mount for mount in chosen}) == len({mount.file_system for mount in chosen}) == len(chosen)


@pytest.mark.witness("findmnt")
def test_findmnt_reads_the_table_alike(tmp_path: Path) -> None:
    (tmp_path / "table").write_text(TABLE)
    columns = "TARGET,SOURCE,FSTYPE,VFS-OPTIONS,FS-OPTIONS,MAJ:MIN"
    reported = subprocess.run(
        ["findmnt", "-F", tmp_path / "table", "-J", "-l", "-o", columns],
        capture_output=True,
        encoding="utf-8",
        check=True,
    ).stdout
    theirs = [
        (
            row["target"],
            row["source"].partition("[")[0],  # it shows the root of a bind mount behind the source
            row["fstype"],
            "ro" in row["fs-options"].split(","),
            "ro" in row["vfs-options"].split(","),
            row["maj:min"],
        )
        for row in json.loads(reported)["filesystems"]
    ]
    ours = [
        (entry.mount, entry.device, entry.kind, entry.read_only, entry.mounted_read_only, entry.file_system)
        for entry in parse_mount_info(TABLE.encode())
    ]
    assert ours == theirs
