"""The link's registers: every code of a rate, each way to be cut off, and any bytes."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie.link_registers import RATES_GT_S, parse_express
from laneproof_collectors.snapshot import ExpressRegisters, LinkRegisters, SlotRegisters
from laneproof_collectors.unread import Unread
from simulation.registers import ExpressValues
from support.unread_answers import known


def express_of(values: ExpressValues) -> ExpressRegisters:
    return known(parse_express(values.lay(), what="config"))


def link_of(values: ExpressValues) -> LinkRegisters:
    return known(express_of(values).link)


def test_links_of_real_machines_read_as_lspci_reported_them(reference: Path) -> None:
    """Excerpts of lspci -vv from public reports, laid out as registers: rate and lanes come back, and compare alike."""
    codes = {None: 0} | {rate: code for code, rate in enumerate(RATES_GT_S, start=1)}
    samples = [json.loads(line) for line in (reference / "lspci-samples.jsonl").read_text().splitlines()]
    assert samples
    for sample in samples:
        text, expect = "\n".join(sample["lines"]), sample["expect"]
        aspm = {"L0s": 1, "L1": 2, "L0s L1": 3}.get(match[1], 0) if (match := re.search(r"ASPM ([^,]+)", text)) else 0
        capable_lanes, trained_lanes = expect["cap_width"] or 0, expect["sta_width"] or 0
        lnkcap = codes[expect["cap_speed_gts"]] | capable_lanes << 4 | aspm << 10
        lnksta = codes[expect["sta_speed_gts"]] | trained_lanes << 4 | ("DLActive+" in text) << 13
        link = link_of(ExpressValues(lnkcap=lnkcap, lnksta=lnksta))
        assert (link.capable_lanes, link.trained_lanes) == (capable_lanes, trained_lanes)
        for rate, lspci in (
            (link.capable_gt_s, expect["cap_speed_gts"]),
            (link.trained_gt_s, expect["sta_speed_gts"]),
        ):
            assert isinstance(rate, Unread) if lspci is None else rate == lspci
        assert link.aspm_supported == aspm
        if expect["slower"] is not None:
            assert isinstance(link.trained_gt_s, float)
            assert isinstance(link.capable_gt_s, float)
            assert (link.trained_gt_s < link.capable_gt_s) == expect["slower"]
        if expect["narrower"] is not None:
            assert (link.trained_lanes < link.capable_lanes) == expect["narrower"]


@pytest.mark.parametrize(("code", "rate"), [(1, 2.5), (2, 5.0), (3, 8.0), (4, 16.0), (5, 32.0), (6, 64.0)])
def test_rates_by_their_code(code: int, rate: float) -> None:
    """PCI Express Base Specification 6.0, table of Link Speeds Vector, as pci_regs.h names its codes."""
    link = link_of(ExpressValues(lnkcap=0x40 | code, lnksta=0x40 | code, lnkctl2=code))
    assert (link.capable_gt_s, link.trained_gt_s, link.target_gt_s) == (rate, rate, rate)


def test_a_rate_code_of_no_standard_is_unread_and_says_where() -> None:
    registers = known(parse_express(ExpressValues(lnksta=0xFFFF).lay(), what="config of 0000:01:00.0"))
    assert registers.link is not None
    assert str(registers.link.trained_gt_s) == (
        "could not read Link Status in config of 0000:01:00.0: rate code 15 is in no standard"
    )
    assert registers.link.trained_lanes == 63
    assert registers.link.capable_gt_s == 8.0


def test_no_rate_is_unread_and_a_target_that_is_not_set_is_none() -> None:
    link = link_of(ExpressValues(lnkcap=0x40, lnksta=0, lnkctl2=0))
    assert isinstance(link.capable_gt_s, Unread)
    assert isinstance(link.trained_gt_s, Unread)
    assert link.target_gt_s is None
    assert link.trained_lanes == 0


def test_the_first_version_of_the_capability_has_no_target_rate() -> None:
    values = ExpressValues(flags=0x0001, lnkcap2=0xFFFFFFFF, lnkctl2=0xFFFF)
    registers = known(parse_express(values.lay()[:0x14], what="config"))
    assert registers.link is not None
    assert registers.link.target_gt_s is None
    assert express_of(values) == registers


@pytest.mark.parametrize("port_type", [0x9, 0xA])
def test_what_is_within_the_root_complex_has_no_link(port_type: int) -> None:
    assert express_of(ExpressValues(flags=2 | port_type << 4)).link is None


@pytest.mark.parametrize(("port_type", "has_slot"), [(0, False), (4, True), (5, False), (6, True), (8, True)])
def test_slot_registers_stand_in_ports_that_lead_down(port_type: int, has_slot: bool) -> None:
    registers = express_of(ExpressValues(flags=2 | port_type << 4 | 1 << 8))
    assert (registers.slot is not None) == has_slot
    assert express_of(ExpressValues(flags=2 | port_type << 4)).slot is None


def test_slot_registers() -> None:
    sltcap = 5 << 19 | 1 << 15 | 250 << 7 | 0x60
    registers = express_of(ExpressValues(flags=0x142, sltcap=sltcap, sltsta=0x0042))
    assert registers.slot == SlotRegisters(number=5, hot_plug_capable=True)


@pytest.mark.parametrize("length", [0, 1, 11, 19, 51])
def test_a_capability_that_is_cut_off_is_unread(length: int) -> None:
    registers = parse_express(ExpressValues().lay()[:length], what="config")
    assert registers == Unread("config", f"the PCI Express capability is cut off after {length} bytes")


def test_equal_registers_are_one_value() -> None:
    assert parse_express(ExpressValues().lay(), what="a") is parse_express(ExpressValues().lay(), what="b")


@given(st.binary(max_size=80))
def test_any_bytes_give_registers_or_a_reason(raw: bytes) -> None:
    registers = parse_express(raw, what="config")
    assert isinstance(registers, ExpressRegisters | Unread)
    if isinstance(registers, Unread):
        assert len(raw) < 52
        assert registers.what == "config"
