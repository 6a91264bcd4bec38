"""A real kernel with four drives, and hardware that changes under it: what the other tests in here stand on."""

from typing import Any

import pytest

from vm.boot import Boot
from vm.boxes import SPLIT_PORT, SPLIT_SLOT
from vm.lspci import Listed

pytestmark = pytest.mark.vm


def test_every_drive_is_there_under_the_port_it_was_put_in(look: dict[str, Any]) -> None:
    places = {serial: look["sysfs"][drive["address"]]["place"] for serial, drive in look["drives"].items()}
    above = {serial: place.split("/")[4:-1] for serial, place in places.items()}
    assert above == {
        "TIDE-0001": ["0000:00:04.0"],
        "TIDE-0002": ["0000:00:04.1"],
        "TIDE-0003": ["0000:00:05.0", "0000:04:00.0", "0000:05:00.0"],
        "TIDE-0004": ["0000:00:05.0", "0000:04:00.0", "0000:05:01.0"],
    }


def test_each_port_is_as_wide_and_fast_as_it_was_built(look: dict[str, Any], listed: dict[str, Listed]) -> None:
    rates = {"2_5": 2.5, "5": 5.0, "8": 8.0, "16": 16.0}
    for port in SPLIT_SLOT.ports:
        address = f"0000:00:0{port.address}"
        assert listed[address].number("LnkCap", r"Speed ([\d.]+)GT/s") == rates[port.gt_s]
        assert listed[address].number("LnkCap", r"Width x(\d+)") == port.lanes
        assert look["sysfs"][address]["max_link_width"] == f"{port.lanes}\n"


def test_an_injected_error_is_counted_at_its_port_and_nowhere_else(boot: Boot) -> None:
    aer = boot.facts("aer")
    grown = {
        (address, name): count - aer["before"][address][name]
        for address, counts in aer["after"].items()
        for name, count in counts.items()
        if count != aer["before"][address][name]
    }
    assert grown == {(SPLIT_PORT, "RxErr"): 3, (SPLIT_PORT, "TOTAL_ERR_COR"): 3}
    assert aer["root_total"] == "3\n"
    assert sum("AER: Corrected error message received" in line for line in aer["kernel_log"]) == 3


def test_a_critical_warning_reaches_the_health_log(boot: Boot) -> None:
    before = boot.facts("smartctl")["TIDE-0001"]["json"]["nvme_smart_health_information_log"]
    after = boot.facts("warned")["smartctl"]["nvme_smart_health_information_log"]
    assert (before["critical_warning"], after["critical_warning"]) == (0, 0b100)


def test_a_removed_drive_goes_and_the_port_says_so_in_the_kernel_log(boot: Boot) -> None:
    removed = boot.facts("removed")
    assert removed["gone"] is True
    assert sorted(removed["drives"]) == ["TIDE-0001", "TIDE-0003", "TIDE-0004"]
    assert any("0000:00:04.1: pciehp: Slot(2)" in line for line in removed["kernel_log"])


def test_a_drive_put_into_another_port_comes_up_there(boot: Boot, look: dict[str, Any]) -> None:
    inserted = boot.facts("inserted")
    assert inserted["back"] is True
    assert look["drives"]["TIDE-0002"]["address"] == "0000:02:00.0"
    assert inserted["drives"]["TIDE-0002"]["address"] == "0000:03:00.0"
    assert any("0000:00:04.2: pciehp: Slot(3): Card present" in line for line in inserted["kernel_log"])
