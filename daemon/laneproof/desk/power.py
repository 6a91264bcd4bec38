"""Power and heat at the desk: what the parts can draw together, what the supply leaves free, and the air it takes.

Source of the air flow: the heat that air carries off, power = density x specific heat x flow x rise, with 1.2 kg/m3 and
1005 J/(kg K) for air of 20 degrees C at sea level (any handbook of physics). In other units it is the cooling trade's
1.76 cubic feet a minute for each watt and degree C.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredPosition
from laneproof.desk.problems import BudgetNotes

_AIR_KG_PER_M3 = 1.2
_AIR_J_PER_KG_K = 1005.0
_BTU_PER_HOUR_PER_WATT = 3.412142  # NIST SP 811, appendix B.8: 1 Btu/h = 0.2930711 W

_M2_WATTS = 14.8  # nine contacts of 0.5 A at 3.3 V, key M; from memory of the M.2 specification's power pins


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerItem:
    """One consumer."""

    name: str
    watts: float
    declared: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerBudget:
    """The sum of power, and the heat that it becomes.

    Attributes:
        items: Who draws what.
        total_watts: Together, all at full load.
        supply_watts: What the supply gives; None where none is declared.
        free_share: Share of the supply that stays free; negative where it is too small.
        wanted_free_share: Share that should.
        heat_btu_per_hour: The same power as the cooling trade counts it.
        air_m3_per_hour: Air that carries it off at the rise below.
        air_rise_celsius: How much warmer that air leaves.
    """

    items: tuple[PowerItem, ...]
    total_watts: float
    supply_watts: float | None
    free_share: float | None
    wanted_free_share: float
    heat_btu_per_hour: float
    air_m3_per_hour: float
    air_rise_celsius: float


def budget_power(build: Build, notes: BudgetNotes) -> PowerBudget:
    """Add up what everything draws at full load, and compare it with the supply."""
    items = tuple(_find_items(build, notes))
    total = sum(item.watts for item in items)
    supply = build.supply.watts if build.supply else None
    wanted = notes.figure("supply_margin") if supply else build.assume.supply_margin
    free = None if supply is None else 1 - total / supply
    if supply is None or free is None:
        notes.remark(f"no supply is declared: the parts draw up to {total:.0f} W together")
    elif free < 0:
        says = f"the parts draw up to {total:.0f} W together, and the supply gives {supply:.0f} W"
        notes.problem("supply-too-small", "supply", says)
    elif total > supply * (1 - wanted):
        says = (
            f"the parts draw up to {total:.0f} W of the supply's {supply:.0f} W: {free:.0%} is free, not {wanted:.0%}"
        )
        notes.remark(says)
    if not (build.memory and build.memory.modules):
        notes.remark("no memory modules are declared: they are not in the sum of power")
    _check_slots(build, notes)
    _check_sockets(build, notes)
    rise = notes.figure("air_rise_celsius")
    return PowerBudget(
        items=items,
        total_watts=total,
        supply_watts=supply,
        free_share=free,
        wanted_free_share=wanted,
        heat_btu_per_hour=total * _BTU_PER_HOUR_PER_WATT,
        air_m3_per_hour=total / (_AIR_KG_PER_M3 * _AIR_J_PER_KG_K * rise) * 3600,
        air_rise_celsius=rise,
    )


def _watts(position: DeclaredPosition, notes: BudgetNotes) -> float | None:
    """Give what a position's device draws, as declared or by its kind; None where nothing draws, or nothing is said."""
    device = position.occupant
    if device is None or device.kind in (None, "none"):
        return None
    return device.max_power_watts or notes.figure(f"{device.kind}_watts")


def _find_items(build: Build, notes: BudgetNotes) -> Iterator[PowerItem]:
    for position in build.position:
        if watts := _watts(position, notes):
            declared = position.occupant is not None and position.occupant.max_power_watts is not None
            yield PowerItem(name=position.label, watts=watts, declared=declared)
    processor = build.processor.watts if build.processor else None
    yield PowerItem(
        name="processor", watts=processor or notes.figure("processor_watts"), declared=processor is not None
    )
    if build.memory and build.memory.modules:
        watts = build.memory.modules * notes.figure("memory_module_watts")
        yield PowerItem(name="memory", watts=watts, declared=False)
    yield PowerItem(name="board", watts=notes.figure("board_watts"), declared=False)


def _check_slots(build: Build, notes: BudgetNotes) -> None:
    for name, slot in build.slot.items():
        drawn = sum(_watts(position, notes) or 0.0 for position in build.position if position.slot == name)
        if slot.power_limit_watts is not None and drawn > slot.power_limit_watts:
            says = f"slot {name} is to feed up to {drawn:.0f} W, and may feed {slot.power_limit_watts:.0f} W"
            notes.problem("slot-power-exceeded", name, says)


def _check_sockets(build: Build, notes: BudgetNotes) -> None:
    for position in build.position:
        watts = position.occupant.max_power_watts if position.occupant else None
        if position.key and watts is not None and watts > _M2_WATTS:
            says = f"{position.label} is to draw up to {watts:.1f} W, and an M.2 socket's contacts carry {_M2_WATTS} W"
            notes.problem("socket-power-exceeded", position.label, says)
