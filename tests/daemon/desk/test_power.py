import pytest

from boxes.snapshot_box import declare
from laneproof.desk.power import PowerBudget, budget_power
from laneproof.desk.problems import BudgetNotes

_DRIVE = '[[position]]\nlabel = "{0}"\npath = "0000:00/{0}.0"\noccupant = {{ kind = "{1}"{2} }}\n'


def _budget(text: str) -> tuple[PowerBudget, BudgetNotes]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    return budget_power(build, notes), notes


def _box(supply: float, drives: int = 4) -> str:
    text = f"[supply]\nwatts = {supply}\n[processor]\nwatts = 50\n[memory]\nmodules = 2\n"
    return text + "".join(_DRIVE.format(f"{at + 1:02x}", "nvme", ", max_power_watts = 10") for at in range(drives))


def test_power_is_the_sum_of_all_parts() -> None:
    power, notes = _budget(_box(200))
    # four drives of 10 W, a processor of 50 W, two modules of 5 W, a board of 20 W
    assert power.total_watts == 120
    assert power.free_share == pytest.approx(0.4)
    assert notes.problems == []
    assert [item.name for item in power.items if item.declared] == ["01", "02", "03", "04", "processor"]


def test_supply_below_the_sum_is_reported() -> None:
    _, notes = _budget(_box(100))
    assert [(problem.what, problem.says) for problem in notes.problems] == [
        ("supply-too-small", "the parts draw up to 120 W together, and the supply gives 100 W")
    ]


def test_supply_without_margin_fits_and_is_remarked_on() -> None:
    _, notes = _budget(_box(130))
    assert notes.problems == []
    assert notes.remarks == ["the parts draw up to 120 W of the supply's 130 W: 8% is free, not 20%"]
    _, notes = _budget("[assume]\nsupply_margin = 0.05\n" + _box(130))
    assert notes.remarks == []
    _, notes = _budget(_box(150))  # exactly the margin
    assert notes.remarks == []


def test_plan_without_a_supply_says_what_it_would_need() -> None:
    power, notes = _budget(_DRIVE.format("01", "nvme", ""))
    assert power.supply_watts is None
    assert any(remark.startswith("no supply is declared: the parts draw up to 94 W") for remark in notes.remarks)


def test_what_is_not_declared_is_assumed_by_its_kind() -> None:
    text = "".join(
        _DRIVE.format(f"0{at}", kind, "")
        for at, kind in enumerate(("nvme", "sata", "network", "other", "usb", "none"), 1)
    )
    power, notes = _budget(text + "[assume]\nsata_watts = 3\n")
    assert {item.name: item.watts for item in power.items if item.name.startswith("0")} == {
        "01": 9,
        "02": 3,
        "03": 10,
        "04": 25,
        "05": 4.5,
    }
    reported = {assumption.key: assumption.declared for assumption in notes.assumptions}
    assert reported["sata_watts"]
    assert not reported["nvme_watts"]


def test_slot_that_feeds_too_little_is_reported() -> None:
    slot = '[slot.s]\npath = "0000:00"\npower_limit_watts = 25\n'
    drives = "".join(_DRIVE.format(f"0{at}", "nvme", ", max_power_watts = 9") + 'slot = "s"\n' for at in (1, 2, 3))
    _, notes = _budget(slot + drives)
    assert [problem.says for problem in notes.problems] == ["slot s is to feed up to 27 W, and may feed 25 W"]
    for enough in ("power_limit_watts = 27", ""):
        assert _budget(slot.replace("power_limit_watts = 25", enough) + drives)[1].problems == []


def test_drive_that_draws_more_than_a_socket_carries_is_reported() -> None:
    # M.2, key M: nine supply contacts of 0.5 A at 3.3 V are 14.85 W (from memory)
    _, notes = _budget(_DRIVE.format("01", "nvme", ", max_power_watts = 20") + 'key = "M"\n')
    assert [problem.what for problem in notes.problems] == ["socket-power-exceeded"]
    _, notes = _budget(_DRIVE.format("01", "nvme", ", max_power_watts = 14") + 'key = "M"\n')
    assert notes.problems == []


def test_heat_is_the_power_in_the_cooling_trades_units() -> None:
    # NIST SP 811: 1 Btu/h = 0.293 071 1 W
    power, _ = _budget(_box(200))
    assert power.heat_btu_per_hour == pytest.approx(120 / 0.2930711, rel=1e-5)


def test_air_agrees_with_the_cooling_trades_rule() -> None:
    # Common practice: 1.76 cubic feet a minute for each watt and degree C; 1 cubic foot a minute is 1.699 m3/h
    power, _ = _budget("[assume]\nair_rise_celsius = 8\n" + _box(200))
    assert power.air_m3_per_hour == pytest.approx(1.76 * 120 / 8 * 1.699, rel=0.01)
