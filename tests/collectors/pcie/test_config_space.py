"""Configuration space: every field against lspci and the kernel's header, and no bytes that could lead it astray."""

import random
import re
import struct
import subprocess
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie import config_space, link_registers
from laneproof_collectors.pcie.config_space import (
    AerOffsets,
    ConfigRegisters,
    find_capability,
    parse_aer_mask,
    read_config_registers,
)
from laneproof_collectors.pcie.link_registers import parse_express
from laneproof_collectors.questions import unread_from_errno
from laneproof_collectors.snapshot import ExpressRegisters, LinkRegisters
from laneproof_collectors.unread import Reason, Unread
from simulation.registers import DEVICE, VENDOR, ExpressValues, lay_aer, lay_config
from support.table_hosts import RangeHost
from support.unread_answers import unread

FOLDER = "/sys/devices/pci0000:00/0000:00:01.1"
KEY = ("0000:00:01.1", VENDOR, DEVICE)
AER_AT_100 = (0x100, 0x0001, lay_aer(status=0x10, mask=0x20, correctable_status=0x40, correctable_mask=0x2000))
ALL_ONES = b"\xff" * 4096


def read_one(content: bytes | Unread, offsets: AerOffsets | None = None) -> ConfigRegisters:
    host = RangeHost({f"{FOLDER}/config": content})
    return read_config_registers(host, [(FOLDER, KEY)], {} if offsets is None else offsets)[0]


# --- the second witnesses ---------------------------------------------------------------------------------------------


@pytest.mark.witness("/usr/include/linux/pci_regs.h")
def test_numbers_are_those_of_the_kernels_header() -> None:
    header = Path("/usr/include/linux/pci_regs.h").read_text("utf-8")
    defined = dict(re.findall(r"#\s*define\s+(PCI_\w+)\s+(0x[0-9a-fA-F]+|\d+)\b", header))
    names = vars(config_space) | vars(link_registers)
    ours = {name: value for name, value in names.items() if name.startswith("PCI_")}
    assert len(ours) > 25
    assert ours == {name: int(defined[name], 0) for name in ours}


@pytest.fixture(scope="module")
def lspci() -> Callable[[Sequence[bytes], Path], list[str]]:
    def decode(spaces: Sequence[bytes], folder: Path) -> list[str]:
        """Let lspci decode dumps in its own format (lspci(8), -F); one text a dump."""
        dump = folder / "dump.txt"
        with dump.open("w") as file:
            for number, space in enumerate(spaces):
                file.write(f"{number:02x}:00.0 dump\n")
                file.writelines(
                    f"{offset:02x}: {space[offset : offset + 16].hex(' ')}\n" for offset in range(0, len(space), 16)
                )
                file.write("\n")
        run = subprocess.run(["lspci", "-vv", "-n", "-F", dump], capture_output=True, encoding="utf-8", check=True)
        return run.stdout.strip().split("\n\n")

    return decode


def sign(value: object) -> str:
    return "+" if value else "-"


def speed(rate: float | Unread | None) -> str:
    return f"{rate:g}GT/s" if isinstance(rate, float) else "unknown"


ASPM = {0: "not supported", 1: "L0s", 2: "L1", 3: "L0s L1"}
CORRECTABLE_BITS = {0: "RxErr", 6: "BadTLP", 7: "BadDLLP", 8: "Rollover", 12: "Timeout", 13: "AdvNonFatalErr"}


def bits(names: Mapping[int, str], value: int) -> str:
    return " ".join(f"{name}{sign(value >> bit & 1)}" for bit, name in names.items())


def say_express(express: ExpressRegisters) -> list[str]:
    """Say what we read in lspci's words, a regular expression a statement."""
    said = [rf"DevCtl:\s+CorrErr\{sign(express.reports_correctable)} "]
    if slot := express.slot:
        said += [rf"HotPlug\{sign(slot.hot_plug_capable)} Surprise", rf"Slot #{slot.number}, PowerLimit"]
    return said


def say_link(link: LinkRegisters) -> list[str]:
    enabled = f"{ASPM[link.aspm_enabled]} Enabled" if link.aspm_enabled else "Disabled"
    said = [
        rf"LnkCap:\s+Port #\d+, Speed {speed(link.capable_gt_s)}, Width x{link.capable_lanes}, ASPM",
        rf"LnkCap:.* ASPM {ASPM[link.aspm_supported]}[,\n]",
        rf"LnkCtl:\s+ASPM {enabled};",
        rf"LnkSta:\s+Speed {speed(link.trained_gt_s)}( \(\w+\))?, Width x{link.trained_lanes}\b",
        rf"BWMgmt\{sign(link.bandwidth_management_status)} ABWMgmt\{sign(link.autonomous_bandwidth_status)}",
    ]
    if isinstance(link.target_gt_s, float):
        said.append(rf"Target Link Speed: {speed(link.target_gt_s)},")
    return said


def say_aer(mask: int) -> list[str]:
    return [rf"CEMsk:\s+{re.escape(bits(CORRECTABLE_BITS, mask))}"]


def draw_values(draw: random.Random) -> tuple[ExpressValues, bool]:
    """Draw registers at random, within what lspci words without loss; whether they are a bridge's."""
    port_type = draw.choice((0, 1, 4, 5, 6, 9))
    slot = 1 << 8 if port_type in (4, 6) and draw.random() < 0.8 else 0
    top = draw.randint(1, 5)  # the lspci of 2022 words no vector beyond 32 GT/s
    power = draw.randrange(0xF0) << 7 | draw.randrange(4) << 15  # nor a power limit beyond 239 W
    values = ExpressValues(
        flags=2 | port_type << 4 | slot,
        devcap=draw.getrandbits(32),
        devctl=draw.getrandbits(16),
        devsta=draw.getrandbits(16),
        lnkcap=draw.getrandbits(32) & ~0xF | draw.randint(0, 7),
        lnkctl=draw.getrandbits(16),
        lnksta=draw.getrandbits(16) & ~0xF | draw.randint(0, 7),
        sltcap=draw.getrandbits(32) & ~0x1FF80 | power,
        sltctl=draw.getrandbits(16),
        sltsta=draw.getrandbits(16),
        lnkcap2=(1 << top + 1) - 2,
        lnkctl2=draw.getrandbits(16) & ~0xF | draw.randint(1, 6),
    )
    return values, port_type in (4, 5, 6)


@pytest.mark.witness("lspci")
def test_every_field_is_as_lspci_decodes_it(
    lspci: Callable[[Sequence[bytes], Path], list[str]], tmp_path: Path
) -> None:
    """The second witness is lspci (pciutils): registers drawn from a fixed seed, and a handful chosen."""
    draw = random.Random(20260711)
    chosen = [(ExpressValues(), False), (ExpressValues(flags=0x142, sltcap=0x2B << 19 | 75 << 7 | 0x60), True)]
    drawn = chosen + [draw_values(draw) for _ in range(60)]
    spaces = []
    for values, bridge in drawn:
        aer = lay_aer(
            status=draw.getrandbits(32), mask=draw.getrandbits(32),
            correctable_status=draw.getrandbits(32), correctable_mask=draw.getrandbits(32),
        )  # fmt: skip
        before_aer = draw.choice(((), ((0x100, 0x0003, bytes(8)),), ((0x100, 0x001E, bytes(12)), (0x140, 0x0019, b""))))
        aer_at = 0x200 if before_aer else 0x100
        extended = (*before_aer, (aer_at, 0x0001, aer))
        express_at = draw.choice((0x40, 0x70, 0xB0))
        before = () if express_at == 0x40 else ((0x40, 0x01),)
        spaces.append(lay_config(values, express_at=express_at, before=before, bridge=bridge, extended=extended))
    texts = lspci(spaces, tmp_path)
    assert len(texts) == len(spaces)
    for space, text in zip(spaces, texts, strict=True):
        registers = read_one(space)
        assert isinstance(registers.express, ExpressRegisters)
        assert isinstance(registers.aer, int)
        link = registers.express.link
        said = say_express(registers.express) + (say_link(link) if link else []) + say_aer(registers.aer)
        assert [statement for statement in said if not re.search(statement, text)] == [], text
        assert ("LnkSta:" in text) == (link is not None)
        assert ("SltSta:" in text) == (registers.express.slot is not None)


def test_an_error_capability_that_is_cut_off_is_unread() -> None:
    assert isinstance(parse_aer_mask(bytes(23), what="config"), Unread)


# --- finding capabilities ---------------------------------------------------------------------------------------------


def test_the_list_is_walked_to_the_capability() -> None:
    config = lay_config(ExpressValues(), express_at=0xB0)
    assert find_capability(config, 0x10) == 0xB0
    assert find_capability(config, 0x05) == 0x50
    assert find_capability(config, 0x11) is None


ONE = lay_config(ExpressValues())
LOOPING = lay_config(before=((0x40, 0x01), (0x50, 0x05)))


@pytest.mark.parametrize(
    ("config", "offset", "byte"),
    [
        (ONE, 6, 0),  # its status bit says that there is no list
        (LOOPING, 0x51, 0x40),
        *((ONE[:256], 0x34, pointer) for pointer in (0x00, 0x04, 0x3C, 0xFC)),
    ],
)
def test_a_list_that_leads_nowhere_ends(config: bytes, offset: int, byte: int) -> None:
    assert find_capability(config[:offset] + bytes([byte]) + config[offset + 1 :], 0x10) is None


@given(st.binary(max_size=512), st.integers(0, 255))
def test_any_bytes_end_the_walk(config: bytes, capability: int) -> None:
    offset = find_capability(config, capability)
    assert offset is None or config[offset] == capability


# --- reading ----------------------------------------------------------------------------------------------------------


def test_registers_are_read_by_ranges() -> None:
    host = RangeHost({f"{FOLDER}/config": lay_config(ExpressValues(), extended=[AER_AT_100])})
    [registers] = read_config_registers(host, [(FOLDER, KEY)], {})
    assert registers.express == parse_express(ExpressValues().lay(), what="config")
    assert registers.aer == 0x2000
    assert registers.answers is True
    assert host.asked == [(0, 256), (0x100, 24)]
    assert host.batches == 1


CHAIN = [(0x100, 0x0003, bytes(8)), (0x148, 0x001E, bytes(12)), (0x200, *AER_AT_100[1:])]


def test_the_way_to_error_reporting_is_walked_once_and_then_remembered() -> None:
    host = RangeHost({f"{FOLDER}/config": lay_config(ExpressValues(), extended=CHAIN)})
    offsets: AerOffsets = {}
    [first] = read_config_registers(host, [(FOLDER, KEY)], offsets)
    assert isinstance(first.aer, int)
    assert offsets == {KEY: 0x200}
    assert host.asked == [(0, 256), (0x100, 24), (0x148, 24), (0x200, 24)]
    host.asked.clear()
    assert read_config_registers(host, [(FOLDER, KEY)], offsets) == [first]
    assert host.asked == [(0, 256), (0x200, 24)]


def test_a_remembered_offset_that_holds_something_else_is_looked_for_again() -> None:
    offsets: AerOffsets = {KEY: 0x180}
    assert isinstance(read_one(lay_config(ExpressValues(), extended=CHAIN), offsets).aer, int)
    assert offsets == {KEY: 0x200}


def test_a_function_without_error_reporting_is_not_searched_again() -> None:
    host = RangeHost({f"{FOLDER}/config": lay_config(ExpressValues(), extended=CHAIN[:2])})
    offsets: AerOffsets = {}
    assert read_config_registers(host, [(FOLDER, KEY)], offsets)[0].aer is None
    host.asked.clear()
    assert read_config_registers(host, [(FOLDER, KEY)], offsets)[0].aer is None
    assert host.asked == [(0, 256)]


def test_without_a_key_nothing_is_remembered() -> None:
    host = RangeHost({f"{FOLDER}/config": lay_config(ExpressValues(), extended=CHAIN)})
    offsets: AerOffsets = {}
    assert isinstance(read_config_registers(host, [(FOLDER, None)], offsets)[0].aer, int)
    assert offsets == {}


def test_a_space_without_extended_part_has_no_error_reporting() -> None:
    registers = read_one(lay_config(ExpressValues(), size=256))
    assert registers.aer is None
    assert isinstance(registers.express, ExpressRegisters)


@pytest.mark.parametrize("size", [64, 128])
def test_a_header_alone_needs_root(size: int) -> None:
    registers = read_one(lay_config(ExpressValues(), express_at=0xB0, before=((0xA0, 1),), size=size))
    assert isinstance(registers.express, Unread)
    assert registers.express.reason is Reason.DENIED
    assert "root" in registers.express.why
    assert registers.aer == registers.express
    assert registers.answers is True


def test_all_ones_are_a_function_that_does_not_answer() -> None:
    registers = read_one(ALL_ONES)
    assert registers.answers is False
    assert unread(registers.express).reason is Reason.GONE
    assert registers.aer == registers.express
    assert read_one(ALL_ONES[:64]).answers is False


def test_a_virtual_function_whose_vendor_reads_all_ones_answers() -> None:
    space = b"\xff\xff\xff\xff" + lay_config(ExpressValues())[4:]
    assert read_one(space).answers is True


def test_a_missing_capability_is_unread_where_the_kernel_knows_a_link() -> None:
    registers = read_one(lay_config(None))
    assert "lists no PCI Express capability" in unread(registers.express).why
    assert registers.aer == registers.express


@pytest.mark.parametrize("size", [0, 3, 63])
def test_a_header_that_is_cut_off_is_unread(size: int) -> None:
    registers = read_one(lay_config(ExpressValues(), size=size))
    assert isinstance(registers.express, Unread)
    assert registers.answers is None


def test_a_failed_reading_passes_through() -> None:
    failed = unread_from_errno(f"{FOLDER}/config", 5)
    assert read_one(failed) == ConfigRegisters(express=failed, aer=failed, answers=None)


def overwritten(space: bytes, offset: int, header: int) -> bytes:
    return space[:offset] + struct.pack("<I", header) + space[offset + 4 :]


PLAIN, TWO_LONG = (lay_config(ExpressValues(), extended=chain) for chain in ((), CHAIN[:2]))
ENDLESS = lay_config(ExpressValues(), extended=[(offset, 0x000B, b"") for offset in range(0x100, 0x1000, 4)])


@pytest.mark.parametrize(
    ("space", "why"),
    [
        (overwritten(PLAIN, 0x100, 0x100 << 20 | 2 << 16 | 0x0003), "points to 0x100"),  # to itself
        (overwritten(PLAIN, 0x100, 0x040 << 20 | 2 << 16 | 0x0003), "points to 0x40"),  # out of the extended space
        (overwritten(PLAIN, 0x100, 0xFFFFFFFF), "reads all ones at 0x100"),
        (overwritten(TWO_LONG, 0x148, 0x100 << 20 | 2 << 16 | 0x001E), "points to 0x100"),  # round
        (lay_config(ExpressValues(), extended=CHAIN, size=0x180), "ends before the extended capability at 0x200"),
        (ENDLESS, "go on after"),
    ],
)
def test_a_chain_that_leads_astray_is_unread(space: bytes, why: str) -> None:
    host = RangeHost({f"{FOLDER}/config": space})
    [registers] = read_config_registers(host, [(FOLDER, KEY)], {})
    assert why in unread(registers.aer).why
    assert isinstance(registers.express, ExpressRegisters)
    assert host.batches < 100


@given(st.integers(0, 4096), st.data())
def test_any_config_space_gives_registers_or_reasons(size: int, data: st.DataObject) -> None:
    base = data.draw(st.sampled_from((lay_config(ExpressValues(), extended=CHAIN), ALL_ONES, bytes(4096))))
    space = bytearray(base[:size])
    for offset, value in data.draw(st.lists(st.tuples(st.integers(0, 4095), st.integers(0, 255)), max_size=20)):
        if offset < size:
            space[offset] = value
    registers = read_one(bytes(space))
    assert isinstance(registers.express, ExpressRegisters | Unread)
    assert isinstance(registers.aer, int | Unread | None)
    if isinstance(registers.express, Unread):
        assert registers.aer == registers.express
    assert (registers.answers is False) == (space[:64] == b"\xff" * 64)


@given(st.binary(max_size=300))
def test_any_bytes_at_all_give_registers_or_reasons(space: bytes) -> None:
    assert isinstance(read_one(space).express, ExpressRegisters | Unread)


def test_many_functions_are_read_abreast() -> None:
    folders = [f"/sys/devices/pci0000:00/0000:00:{number:02x}.0" for number in range(20)]
    space = lay_config(ExpressValues(), extended=CHAIN)
    host = RangeHost({f"{folder}/config": space for folder in folders[:-1]})
    registers = read_config_registers(host, [(folder, None) for folder in folders], {})
    assert all(isinstance(register.aer, int) for register in registers[:-1])
    assert isinstance(registers[-1].express, Unread)
    assert host.batches == 3
