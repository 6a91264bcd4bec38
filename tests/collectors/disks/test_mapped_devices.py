"""Mapped devices and the disks that they lie on."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.disks.mapped_devices import read_mapped
from laneproof_collectors.disks.whole_disks import BLOCK_CLASS
from laneproof_collectors.snapshot import MappedDevice
from laneproof_collectors.unread import Reason
from simulation.fake_machine import FakeMachine, replay
from support.unread_answers import known, unread


@pytest.fixture
def machine(fs: FakeFilesystem) -> FakeMachine:
    """Lay out encryption on a logical volume on one disk, and a volume on an array of two."""
    return FakeMachine(
        fs,
        {
            f"{BLOCK_CLASS}/sda/size": "8\n",
            f"{BLOCK_CLASS}/dm-0/dm/name": "archive\n",
            f"{BLOCK_CLASS}/dm-0/slaves/dm-1": "-> x",
            f"{BLOCK_CLASS}/dm-1/dm/name": "kelp-archive\n",
            f"{BLOCK_CLASS}/dm-1/slaves/nvme2n1p3": "-> x",
            f"{BLOCK_CLASS}/dm-2/dm/name": "pool\n",
            f"{BLOCK_CLASS}/dm-2/slaves/md127": "-> x",
            f"{BLOCK_CLASS}/md127/slaves/sda1": "-> x",
            f"{BLOCK_CLASS}/md127/slaves/sdb1": "-> x",
        },
    )


FOUND = (
    MappedDevice(name="dm-0", label="archive", disks=("nvme2n1",)),
    MappedDevice(name="dm-1", label="kelp-archive", disks=("nvme2n1",)),
    MappedDevice(name="dm-2", label="pool", disks=("sda", "sdb")),
)


def test_a_mapped_device_is_followed_down_to_its_disks_in_a_recording_too(machine: FakeMachine) -> None:
    live, replayed = replay(machine, read_mapped)
    assert replayed == live == FOUND


def test_a_device_whose_parts_cannot_be_read_has_no_disks(machine: FakeMachine) -> None:
    machine.faults[f"{BLOCK_CLASS}/dm-0/slaves"] = errno.EIO
    machine.faults[f"{BLOCK_CLASS}/dm-1/dm/name"] = errno.EIO
    assert known(read_mapped(machine))[:2] == (
        MappedDevice(name="dm-0", label="archive", disks=()),
        MappedDevice(name="dm-1", label="", disks=("nvme2n1",)),
    )


def test_devices_that_name_each_other_end(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {f"{BLOCK_CLASS}/dm-0/slaves/dm-1": "-> x", f"{BLOCK_CLASS}/dm-1/slaves/dm-0": "-> x"},
    )
    assert [device.disks for device in known(read_mapped(machine))] == [(), ()]


def test_a_machine_without_block_devices_says_absent(fs: FakeFilesystem) -> None:
    assert unread(read_mapped(FakeMachine(fs))).reason is Reason.ABSENT
