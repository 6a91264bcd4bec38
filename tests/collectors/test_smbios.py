"""SMBIOS structures, by DMTF DSP0134, with dmidecode as the second witness."""

import errno
import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.smbios import (
    ENTRIES,
    MEMORY_DEVICE,
    SYSTEM_SLOT,
    TABLE,
    Structure,
    find_identity,
    find_memory_module,
    find_slots,
    hide_serials,
    parse_structure,
    read_structures,
    split_table,
)
from laneproof_collectors.snapshot import MemoryModule, PhysicalSlot
from laneproof_collectors.unread import Reason
from simulation.fake_machine import FakeMachine, Tree
from simulation.smbios_tables import cut, dump, memory_array, memory_device, slot, structure, table
from support.unread_answers import known, unread

GIB = 1 << 30


def parsed(raw: bytes) -> Structure:
    return known(parse_structure(raw, what="here"))


def slots_of(raw: bytes) -> list[tuple[str, str | None, int | None]]:
    return [(made.name, made.address, made.electrical_lanes) for made in find_slots(parsed(raw))]


def module_of(raw: bytes) -> MemoryModule:
    return known(find_memory_module(parsed(raw)))


# --- structures ---


def test_a_structure_has_its_strings_by_number() -> None:
    raw = structure(2, 0x0F, {0x04: 1, 0x05: 2, 0x06: 0, 0x07: 9}, ["Kelp Boards ", "KB-1"], handle=0x0200)
    made = parsed(raw)
    assert (made.type_code, made.handle) == (2, 0x0200)
    assert [made.string(offset) for offset in (0x04, 0x05, 0x06, 0x07, 0x40)] == ["Kelp Boards", "KB-1", "", "", ""]


@pytest.mark.parametrize("raw", [b"", b"\x09", b"\x09\x03\x00\x00", b"\x09\x18\x00\x09short", bytes(4)])
def test_what_is_no_structure_says_so(raw: bytes) -> None:
    answer = unread(parse_structure(raw, what="/sys/x"))
    assert (answer.what, answer.reason) == ("/sys/x", Reason.MALFORMED)


def test_a_table_is_split_up_to_its_end() -> None:
    parts = [structure(16, 0x0F, {}), structure(17, 0x15, {0x10: 1}, ["A", "B"]), structure(9, 0x0D, {}, ["S"])]
    assert list(split_table(table(*parts) + b"\x09\x04\x00\x00\0\0")) == parts
    assert list(split_table(b"".join(parts)[:-1])) == parts[:2]  # the last was cut off
    assert list(split_table(b"\x09\x02\x00\x00\0\0")) == []  # a length that cannot be: no endless walk


def test_identity_is_reported_by_the_names_of_the_kernel() -> None:
    bios = structure(0, 0x18, {0x04: 1, 0x05: 2, 0x08: 3}, ["Kelp Firmware", "2.07", "03/14/2026"])
    assert find_identity(parsed(bios)) == {
        "bios_version": "2.07",
        "bios_date": "03/14/2026",
    }
    assert find_identity(parsed(structure(2, 0x08, {0x04: 1}, ["Kelp"]))) == {"board_vendor": "Kelp"}
    assert find_identity(parsed(structure(3, 0x0D, {0x04: 1}, ["Kelp"]))) == {}


# --- slots ---


def test_a_slot_of_one_width() -> None:
    raw = slot("PCIEX16", type_code=0xB6, width=0x0D, location=(0, 1, 0x08), characteristics_2=0x08)
    assert find_slots(parsed(raw)) == (
        PhysicalSlot(
            name="PCIEX16",
            address="0000:01:01",
            electrical_lanes=16,
            source="smbios",
        ),
    )


def test_a_split_slot_lists_each_of_its_groups() -> None:
    peers = [(0, 1, 0x09, 4), (0, 1, 0x0A, 4), (0x0001, 0x20, 0x00, 0x0A)]  # the last one by the code of its width
    raw = slot("RISER", type_code=0xBD, width=0x0D, location=(0, 1, 0x08), base_width=4, peers=peers, generation=4)
    assert slots_of(raw) == [
        ("RISER", "0000:01:01", 4),
        ("RISER", "0000:01:01", 4),
        ("RISER", "0000:01:01", 4),
        ("RISER", "0001:20:00", 4),
    ]


def lanes_of(*, width: int = 2, type_code: int = 6) -> int | None:
    return slots_of(slot("S", type_code=type_code, width=width))[0][2]


def test_the_lanes_of_a_slot() -> None:
    """DSP0134, tables of 7.10.1 (slot type, from PCI Express on; each generation begins with any width) and 7.10.2."""
    by_width = {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}
    assert {code: lanes for code in range(256) if (lanes := lanes_of(width=code))} == by_width
    by_type = {first + step: 1 << step - 1 for first in (0xA5, 0xAB, 0xB1, 0xB8, 0xBE) for step in range(1, 6)}
    assert {code: lanes for code in range(256) if (lanes := lanes_of(type_code=code))} == by_type
    assert lanes_of(width=0x0A, type_code=0xB6) == 4


@pytest.mark.parametrize("length", [0x0D, 0x0C, 0x08, 0x04])
def test_an_older_slot_stops_early(length: int) -> None:
    (found,) = find_slots(parsed(slot("S", type_code=0xB6, width=0x0A, location=(0, 1, 0), length=length)))
    assert found.address is None
    assert found.name == ("S" if length > 0x04 else "")


@pytest.mark.parametrize("place", [(0xFFFF, 1, 0x08), (0xFFFF, 0xFF, 0x08), (0xFFFF, 0, 0), (0, 0xFF, 0xFF)])
def test_a_slot_without_an_address_has_none(place: tuple[int, int, int]) -> None:
    """DSP0134, 7.10.8: a field that does not apply reads FFh, and the segment group FFFFh."""
    assert slots_of(slot("M2_1", type_code=0x17, width=0x0A, location=place)) == [("M2_1", None, 4)]


def test_groups_beyond_the_structure_are_left_out() -> None:
    raw = slot("S", type_code=0xB6, width=0x0D, location=(0, 1, 0), peers=[(0, 2, 0, 4), (0, 3, 0, 4)])
    assert len(slots_of(cut(raw, 0x22, 0x13 + 7))) == 2


# --- memory ---


def test_a_module_with_its_speeds() -> None:
    assert module_of(memory_device(size=0x7FFF, extended_size=32 * 1024, rank=0x82)) == MemoryModule(
        locator="DIMM_A1",
        bank="BANK 0",
        size_bytes=32 * GIB,
        rated_mt_s=5600,
        configured_mt_s=4800,
        ecc=False,
        part="BM-5600-32",
    )


@pytest.mark.parametrize(
    ("size", "extended", "size_bytes"),
    [(16 * 1024, 0, 16 * GIB), (0x8000 | 512, 0, 512 * 1024), (0x7FFF, 65536, 64 * GIB), (0xFFFF, 0, None)],
)
def test_the_size_of_a_module(size: int, extended: int, size_bytes: int | None) -> None:
    assert module_of(memory_device(size=size, extended_size=extended)).size_bytes == size_bytes


def test_speeds_beyond_sixteen_bits_stand_in_the_extended_fields() -> None:
    raw = memory_device(size=1024, rated=0xFFFF, configured=0xFFFF, extended_rated=70000, extended_configured=66000)
    assert (module_of(raw).rated_mt_s, module_of(raw).configured_mt_s) == (70000, 66000)


def test_unknown_speeds_are_none() -> None:
    module = module_of(memory_device(size=1024, rated=0, configured=0xFFFF))
    assert (module.rated_mt_s, module.configured_mt_s) == (None, None)


@pytest.mark.parametrize(
    ("total", "data", "ecc"), [(72, 64, True), (80, 64, True), (64, 64, False), (0xFFFF, 64, None), (0, 0, None)]
)
def test_a_module_wider_than_its_data_corrects_errors(total: int, data: int, *, ecc: bool | None) -> None:
    assert module_of(memory_device(size=1024, total_width=total, data_width=data)).ecc is ecc


@pytest.mark.parametrize(
    ("length", "rated", "configured"),
    [(0x54, 5600, 4800), (0x20, 5600, None), (0x15, None, None)],
)  # SMBIOS 3.2, 2.6 and 2.1
def test_an_older_module_stops_early(length: int, rated: int | None, configured: int | None) -> None:
    module = module_of(memory_device(size=1024, length=length))
    assert (module.rated_mt_s, module.configured_mt_s, module.locator) == (rated, configured, "DIMM_A1")


# --- what tells one box from all others ---


def test_serial_numbers_are_blanked_and_facts_stay() -> None:
    system = structure(1, 0x1B, {0x04: 1, 0x05: 2, 0x07: 3, 0x08: (0x1122334455667788, 8)}, ["Kelp", "Box", "SN-77"])
    makers_own = structure(0x80, 0x0A, {0x04: (0xABCDEF, 3)}, ["SN-77"])
    board = structure(2, 0x08, {0x04: 1, 0x05: 2, 0x07: 3}, ["Kelp", "KB-1", "SN-78"])
    bios = structure(0, 0x18, {0x04: 1, 0x05: 2, 0x08: 3}, ["SN-79", "2.07", "03/14/2026"])
    whole = table(bios, system, board, memory_device(size=1024), slot("S", type_code=0xB6, width=10), makers_own)
    hidden = hide_serials(whole)
    assert len(hidden) == len(whole)
    assert not any(secret in hidden for secret in (b"SN-", b"\x88\x77\x66", b"\xef\xcd\xab"))
    firmware, box, main_board, module, riser, _ = map(parsed, split_table(hidden))
    assert find_identity(firmware) == {"bios_version": "2.07", "bios_date": "03/14/2026"}
    assert not any(text.strip("X") for text in box.strings)
    assert find_identity(main_board) == {"board_vendor": "Kelp", "board_name": "KB-1"}
    assert find_memory_module(module) == module_of(memory_device(size=1024))
    assert find_slots(riser)[0].name == "S"


@given(st.binary(max_size=300))
def test_what_is_not_understood_is_blanked_whole(raw: bytes) -> None:
    hidden = hide_serials(raw)
    assert len(hidden) == len(raw)
    understood = sum(map(len, split_table(raw)))
    assert not any(hidden[understood + 6 :])


# --- any bytes ---


@given(st.integers(0, 255), st.binary(max_size=300))
def test_any_structure_gives_facts_or_a_reason(type_code: int, rest: bytes) -> None:
    for raw in (bytes((type_code,)) + rest, bytes((type_code, min(4 + len(rest), 255), 0, 0)) + rest):
        made = parse_structure(raw, what="here")
        if isinstance(made, Structure):
            assert all(isinstance(found, PhysicalSlot) for found in find_slots(made))
            assert isinstance(find_memory_module(made), MemoryModule | None)
            assert all(find_identity(made).values())


@given(st.binary(max_size=600))
def test_any_table_is_split_without_end(raw: bytes) -> None:
    assert sum(map(len, split_table(raw))) <= len(raw)


# --- reading ---


def test_structures_come_from_their_entries_in_the_order_of_the_firmware(fs: FakeFilesystem) -> None:
    tree: Tree = {f"{ENTRIES}/17-{number}/raw": memory_device(size=1024, locator=f"D{number}") for number in (10, 2, 0)}
    machine = FakeMachine(fs, {**tree, f"{ENTRIES}/9-0/raw": b"bad", f"{ENTRIES}/strange/raw": b""})
    assert [made.string(0x10) for made in known(read_structures(machine, (MEMORY_DEVICE,)))] == ["D0", "D2", "D10"]
    assert f"{ENTRIES}/9-0/raw" not in machine.asked


def test_the_whole_table_serves_where_there_are_no_entries(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, {TABLE: table(memory_array(), memory_device(size=1024), slot("S", type_code=0xB6, width=10))}
    )
    assert [made.string(0x04) for made in known(read_structures(machine, (SYSTEM_SLOT,)))] == ["S"]


@pytest.mark.parametrize(("number", "reason"), [(errno.EACCES, Reason.DENIED), (errno.ENOENT, Reason.ABSENT)])
def test_one_structure_that_fails_makes_the_rest_unread(fs: FakeFilesystem, number: int, reason: Reason) -> None:
    machine = FakeMachine(fs, {f"{ENTRIES}/17-{number}/raw": memory_device(size=1024) for number in range(3)})
    machine.faults[f"{ENTRIES}/17-1/raw"] = number
    found = unread(read_structures(machine, (MEMORY_DEVICE,)))
    assert (found.what, found.reason) == (f"{ENTRIES}/17-1/raw", reason)


def test_a_machine_without_smbios_says_absent(fs: FakeFilesystem) -> None:
    assert unread(read_structures(FakeMachine(fs), (MEMORY_DEVICE,))).reason is Reason.ABSENT


# --- the second witness ---


@pytest.mark.witness("dmidecode")
def test_dmidecode_says_the_same(tmp_path: Path) -> None:
    structures = [
        slot(
            "PCIEX16", type_code=0xB6, width=0x0D, usage=3, location=(0, 0, 0x08), characteristics_2=0x08, generation=3
        ),
        slot(
            "RISER",
            type_code=0xBD,
            width=0x0D,
            location=(0, 1, 0x08),
            base_width=4,
            peers=[(0, 0x1B, 0x08, 4), (2, 3, 0x10, 8)],
        ),
        slot("M2_1", type_code=0x17, width=0x0A),
        memory_array(error_correction=6),
        memory_device(size=0x7FFF, extended_size=49152, total_width=80, data_width=64, rank=2),
        memory_device(size=8192, rated=0xFFFF, extended_rated=70000, configured=0),
        memory_device(size=0),
    ]
    (tmp_path / "dump").write_bytes(dump(*structures))
    reported = subprocess.run(
        ["dmidecode", "--from-dump", tmp_path / "dump"], capture_output=True, encoding="utf-8", check=True
    ).stdout
    blocks = re.split(r"\n\n", reported)

    slots = [block for block in blocks if "System Slot Information" in block]
    for block, raw in zip(slots, structures[:3], strict=True):
        ours = slots_of(raw)
        theirs = re.findall(r"(?:Bus Address|Peer Device \d+): (\S+)\.\d", block)
        assert [address for _, address, _ in ours if address] == theirs
        assert ours[0][0] in re.findall(r"Designation: (.*)", block)
        for (_, _, lanes), width in zip(ours[1:], re.findall(r"\(Width (\d+)\)", block), strict=True):
            assert lanes == int(width)

    devices = [block for block in blocks if "\nMemory Device" in block]
    for block, raw in zip(devices, structures[4:], strict=True):
        module = find_memory_module(parsed(raw))
        assert ("No Module Installed" in block) is (module is None)
        if module is not None:
            size, unit = re.findall(r"\tSize: (\d+) (\w+)", block)[0]
            assert module.size_bytes == int(size) << {"MB": 20, "GB": 30}[unit]
            speeds = [
                re.findall(rf"\t{name}: (\d+|Unknown)", block)[0] for name in ("Speed", "Configured Memory Speed")
            ]
            assert [str(module.rated_mt_s or "Unknown"), str(module.configured_mt_s or "Unknown")] == speeds
            assert [module.part] == re.findall(r"\tPart Number: (.*\S)", block)
    assert "Error Correction Type: Multi-bit ECC" in reported
