"""Board, firmware, kernel and boot, from SMBIOS or the device tree."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.firmware import (
    BOOT_ID,
    BOOT_LOADER,
    DEVICE_TREE_HYPERVISOR,
    DMI_FOLDER,
    HOST_NAME,
    KERNEL_RELEASE,
    MODEL,
    PROCESSORS,
    read_firmware,
    read_firmware_slots,
    read_hypervisor,
)
from laneproof_collectors.smbios import ENTRIES
from laneproof_collectors.snapshot import Firmware
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree, replay
from simulation.smbios_tables import slot, structure
from support.unread_answers import known, unread

KERNEL = {
    KERNEL_RELEASE: "6.12.9-kelp\n",
    HOST_NAME: "kelp-1\n",
    BOOT_ID: "6a1f1c5e-0d6b-4a47-9d2b-5f0c7e6a9b11\n",
}
DMI = {
    f"{DMI_FOLDER}/board_vendor": "Kelp Boards\n",
    f"{DMI_FOLDER}/board_name": "KB-1 \n",
    f"{DMI_FOLDER}/board_version": "1.02\n",
    f"{DMI_FOLDER}/sys_vendor": "Kelp Boards\n",
    f"{DMI_FOLDER}/product_name": "Shore Box\n",
    f"{DMI_FOLDER}/bios_vendor": "Kelp Firmware\n",
    f"{DMI_FOLDER}/bios_version": "2.07\n",
    f"{DMI_FOLDER}/bios_date": "03/14/2026\n",
}


def test_a_board_with_smbios(fs: FakeFilesystem) -> None:
    assert known(read_firmware(FakeMachine(fs, {**KERNEL, **DMI}))) == Firmware(
        board_vendor="Kelp Boards",
        board_name="KB-1",
        bios_version="2.07",
        bios_date="03/14/2026",
        kernel_release="6.12.9-kelp",
        host_name="kelp-1",
        boot_id="6a1f1c5e-0d6b-4a47-9d2b-5f0c7e6a9b11",
    )


def test_a_recording_gives_the_same_firmware(fs: FakeFilesystem) -> None:
    tree: Tree = {**KERNEL, **DMI, f"{ENTRIES}/9-0/raw": slot("S", type_code=0xB6, width=10)}
    machine = FakeMachine(fs, tree)
    for read in (read_firmware, read_firmware_slots):
        live, replayed = replay(machine, read)
        assert replayed == live != ()


def test_serial_numbers_are_not_asked_for(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**KERNEL, **DMI, f"{DMI_FOLDER}/board_serial": "SN-1\n"})
    known(read_firmware(machine))
    assert not any("serial" in asked or "uuid" in asked for asked in machine.asked)


def test_a_field_that_the_firmware_does_not_report_is_none(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**KERNEL, f"{DMI_FOLDER}/board_name": "KB-1\n", f"{DMI_FOLDER}/bios_date": " \n"})
    firmware = known(read_firmware(machine))
    assert (firmware.board_name, firmware.bios_date, firmware.bios_version) == ("KB-1", None, None)


def test_a_board_with_a_device_tree(fs: FakeFilesystem) -> None:
    firmware = known(read_firmware(FakeMachine(fs, {**KERNEL, MODEL: "Kelp Arm Board\0", BOOT_LOADER: "2026.01\0"})))
    assert (firmware.board_name, firmware.bios_version) == ("Kelp Arm Board", "2026.01")
    assert firmware.board_vendor is None


def test_the_raw_table_serves_where_the_kernel_exports_no_names(fs: FakeFilesystem) -> None:
    tree: Tree = {
        **KERNEL,
        f"{ENTRIES}/0-0/raw": structure(0, 0x12, {0x04: 1, 0x05: 2}, ["Kelp Firmware", "2.07"]),
        f"{ENTRIES}/2-0/raw": structure(2, 0x08, {0x05: 1}, ["KB-1"]),
        f"{ENTRIES}/2-1/raw": structure(
            2, 0x08, {0x05: 1}, ["KB-1 RISER"]
        ),  # a second board: the first is the main one
    }
    firmware = known(read_firmware(FakeMachine(fs, tree)))
    assert (firmware.board_name, firmware.bios_version) == ("KB-1", "2.07")
    assert firmware.bios_date is None


def test_a_machine_that_names_itself_nowhere(fs: FakeFilesystem) -> None:
    firmware = known(read_firmware(FakeMachine(fs, KERNEL)))
    assert (firmware.board_name, firmware.host_name) == (None, "kelp-1")


def test_what_may_not_be_read_is_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**KERNEL, **DMI})
    machine.faults = {f"{DMI_FOLDER}/bios_version": errno.EACCES, BOOT_ID: errno.EIO}
    firmware = known(read_firmware(machine))
    assert unread(firmware.bios_version).reason is Reason.DENIED
    assert isinstance(firmware.boot_id, Unread)
    assert firmware.board_name == "KB-1"


@pytest.mark.parametrize("content", ["", "\0\0", "\n"])
def test_an_empty_name_is_none(fs: FakeFilesystem, content: str) -> None:
    machine = FakeMachine(fs, {**KERNEL, **DMI})
    machine.put({f"{DMI_FOLDER}/bios_version": content})
    assert known(read_firmware(machine)).bios_version is None


def test_slots_by_the_names_of_the_firmware(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, {f"{ENTRIES}/9-{number}/raw": slot(f"S{number}", type_code=0xB6, width=10) for number in (0, 1)}
    )
    assert [slot.name for slot in known(read_firmware_slots(machine))] == ["S0", "S1"]


def test_a_machine_without_smbios_names_no_slots(fs: FakeFilesystem) -> None:
    assert read_firmware_slots(FakeMachine(fs)) == ()


def test_slots_that_only_root_may_read_are_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{ENTRIES}/9-0/raw": slot("S", type_code=0xB6, width=10)})
    machine.faults[f"{ENTRIES}/9-0/raw"] = errno.EACCES
    assert unread(read_firmware_slots(machine)).reason is Reason.DENIED


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({PROCESSORS: "processor\t: 0\nflags\t\t: fpu vme de hypervisor lahf_lm\n"}, True),
        ({PROCESSORS: "processor\t: 0\nflags\t\t: fpu vme de lahf_lm\n"}, False),
        ({PROCESSORS: "processor\t: 0\nFeatures\t: fp asimd\n"}, False),
        ({PROCESSORS: "processor\t: 0\n", f"{DEVICE_TREE_HYPERVISOR}/compatible": "xen,xen\0"}, True),
    ],
)
def test_a_virtual_machine_says_so(fs: FakeFilesystem, files: dict[str, str], *, expected: bool) -> None:
    assert read_hypervisor(FakeMachine(fs, files)) is expected


def test_what_cannot_be_read_is_no_real_machine(fs: FakeFilesystem) -> None:
    assert isinstance(read_hypervisor(FakeMachine(fs)), Unread)
