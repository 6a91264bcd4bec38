"""The slots by their names; whether a card is in one is not asked."""

from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.pcie.slots import SLOTS, read_slots
from laneproof_collectors.unread import Reason
from simulation.fake_machine import FakeMachine
from support.unread_answers import known, unread


def test_slots_by_their_names(fs: FakeFilesystem) -> None:
    """``address`` has no device number where the firmware does not know it yet (drivers/pci/slot.c)."""
    addresses = {"3": "0000:01:00\n", "3-1": "10000:e1:00\n", "later": "0000:07\n"}
    tree = {f"{SLOTS}/{name}/{file}": text for name, text in addresses.items() for file in ("address", "adapter")}
    machine = FakeMachine(fs, tree)
    assert [(slot.name, slot.address, slot.source) for slot in known(read_slots(machine))] == [
        ("3", "0000:01:00", "sysfs"), ("3-1", "10000:e1:00", "sysfs"), ("later", None, "sysfs"),
    ]  # fmt: skip
    assert not [path for path in machine.asked if path.endswith("/adapter")]


def test_no_slots_and_no_list_of_slots(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs)
    assert unread(read_slots(machine)).reason is Reason.ABSENT
    machine.put({SLOTS: None})
    assert read_slots(machine) == ()
