"""Which whole disk a block device's name stands for."""

import errno
import subprocess

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.disks.whole_disks import BLOCK_CLASS, find_whole_disk, read_whole_disks
from simulation.fake_machine import FakeMachine, replay


@pytest.mark.parametrize(
    ("name", "disk"),
    [
        ("nvme0n1", "nvme0n1"),
        ("nvme0n1p2", "nvme0n1"),
        ("nvme12n3p10", "nvme12n3"),
        ("sda", "sda"),
        ("sdaa12", "sdaa"),
        ("vda1", "vda"),
        ("xvdb3", "xvdb"),
        ("md127p1", "md127"),
        ("mmcblk0p1", "mmcblk0"),
        ("pmem0", "pmem0"),
        ("dm-3", "dm-3"),
        ("loop0", "loop0"),
        ("", ""),
    ],
)
def test_the_name_gives_the_disk(name: str, disk: str) -> None:
    assert find_whole_disk(name) == disk


def test_a_mapped_device_is_followed_to_its_disk(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            f"{BLOCK_CLASS}/dm-0/slaves/dm-1": "-> x",  # encryption on a logical volume
            f"{BLOCK_CLASS}/dm-1/slaves/nvme2n1p3": "-> x",
            f"{BLOCK_CLASS}/dm-2/slaves/nvme0n1": "-> x",
            f"{BLOCK_CLASS}/dm-2/slaves/nvme1n1": "-> x",
            f"{BLOCK_CLASS}/dm-3/slaves": None,
        },
    )
    machine.faults[f"{BLOCK_CLASS}/dm-4/slaves"] = errno.EACCES
    assert read_whole_disks(machine, ("dm-0", "dm-2", "dm-3", "dm-4", "sda1")) == {
        "dm-0": "nvme2n1",
        "dm-2": "dm-2",
        "dm-3": "dm-3",
        "dm-4": "dm-4",
        "sda1": "sda",
    }


def test_plain_names_ask_nothing(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs)
    assert read_whole_disks(machine, ("nvme0n1p1", "sda")) == {"nvme0n1p1": "nvme0n1", "sda": "sda"}
    assert machine.asked == []


def test_a_recording_gives_the_same_disks(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{BLOCK_CLASS}/dm-0/slaves/nvme2n1p3": "-> x"})
    live, replayed = replay(machine, lambda host: read_whole_disks(host, ("dm-0", "sda1")))
    assert replayed == live == {"dm-0": "nvme2n1", "sda1": "sda"}


def test_a_chain_without_end_stops(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{BLOCK_CLASS}/dm-0/slaves/dm-1": "-> x", f"{BLOCK_CLASS}/dm-1/slaves/dm-0": "-> x"})
    assert set(read_whole_disks(machine, ("dm-0",))) == {"dm-0"}


@pytest.mark.witness("lsblk")
def test_lsblk_says_the_same_of_this_machine() -> None:
    listed = subprocess.run(
        ["lsblk", "-rno", "NAME,TYPE,PKNAME"], capture_output=True, encoding="utf-8", check=True
    ).stdout
    rows = [(*line.split(), "")[:3] for line in listed.splitlines()]
    for name, kind, parent in rows:
        if kind in ("disk", "part"):
            assert find_whole_disk(name) == (parent if kind == "part" else name)
