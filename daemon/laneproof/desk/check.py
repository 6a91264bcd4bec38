"""The desk check: whether a plan fits together, and what it can do, with no hardware at all.

All figures are ceilings that nothing can pass, or sums of what parts draw at most; none is a promise. What the
declaration does not say is taken from `Assumptions`, and every one that was used is told.
"""

from dataclasses import dataclass
from typing import Any

from laneproof.declaration.build import Build
from laneproof.desk.arrays import ArrayBudget, budget_arrays
from laneproof.desk.bottleneck import Bottleneck, Throughput, find_bottleneck
from laneproof.desk.links import LinkBudget, SharedLink, budget_links
from laneproof.desk.network import NetworkBudget, budget_network
from laneproof.desk.notes import Assumption, BudgetNotes, BudgetProblem
from laneproof.desk.rebuild import Rebuild
from laneproof.desk.sockets import check_devices, check_keys, check_slots
from laneproof.desk.supply import PowerBudget, budget_power


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskCheck:
    """What a desk check found.

    Attributes:
        build: The plan.
        positions: Each position's link.
        shared: Links that several positions share.
        arrays: Each array.
        network: Each bond and each port alone.
        throughput: What the drives and the network can carry together.
        bottleneck: The narrowest part; None where nothing has a ceiling.
        power: Power and heat.
        problems: What does not fit.
        remarks: What is worth knowing.
        assumptions: What was taken for granted.
    """

    build: Build
    positions: tuple[LinkBudget, ...]
    shared: tuple[SharedLink, ...]
    arrays: tuple[ArrayBudget, ...]
    network: tuple[NetworkBudget, ...]
    throughput: Throughput
    bottleneck: Bottleneck | None
    power: PowerBudget
    problems: tuple[BudgetProblem, ...]
    remarks: tuple[str, ...]
    assumptions: tuple[Assumption, ...]

    @property
    def fits(self) -> bool:
        """Whether nothing speaks against the plan."""
        return not self.problems

    def as_json(self) -> dict[str, Any]:
        """Give the desk check's JSON."""
        return {
            "schema": 1,
            "box": self.build.box.name,
            "fits": self.fits,
            "bottleneck": None if self.bottleneck is None else self.bottleneck.as_json(),
            "problems": [one.as_json() for one in self.problems],
            "positions": [_position_json(one) for one in self.positions],
            "shared": [_shared_json(one) for one in self.shared],
            "arrays": [_array_json(one) for one in self.arrays],
            "network": [_network_json(one) for one in self.network],
            "throughput": self.throughput.as_json(),
            "power": _power_json(self.power),
            "remarks": list(self.remarks),
            "assumptions": [one.as_json() for one in self.assumptions],
        }


def check_budget(build: Build) -> DeskCheck:
    """Check a plan at the desk.

    Args:
        build: The declaration; nothing else is asked.

    Returns:
        What fits, what does not, and what it can do.
    """
    notes = BudgetNotes(assume=build.assume)
    check_slots(build, notes)
    check_keys(build, notes)
    check_devices(build, notes)
    links, shared = budget_links(build, notes)
    arrays = budget_arrays(build, {one.label: one for one in links}, notes)
    network = budget_network(build, notes)
    throughput, bottleneck = find_bottleneck(build, links, shared, network, notes)
    power = budget_power(build, notes)
    return DeskCheck(
        build=build,
        positions=links,
        shared=shared,
        arrays=arrays,
        network=network,
        throughput=throughput,
        bottleneck=bottleneck,
        power=power,
        problems=tuple(notes.problems),
        remarks=tuple(notes.remarks),
        assumptions=notes.assumptions,
    )


# --- JSON -------------------------------------------------------------------------------------------------------------


def _whole(value: float | None) -> int | None:
    return None if value is None else round(value)


def _position_json(one: LinkBudget) -> dict[str, Any]:
    return {
        "label": one.label,
        "kind": one.kind,
        "generation": one.generation,
        "lanes": one.lanes,
        "limited_by": one.limited_by,
        "link_bytes_per_second": _whole(one.link_bytes_per_second),
        "payload_bytes_per_second": _whole(one.payload_bytes_per_second),
        "write_payload_bytes_per_second": _whole(one.write_payload_bytes_per_second),
        "all_busy_bytes_per_second": _whole(one.busy_bytes_per_second),
        "shared": list(one.shared),
    }


def _shared_json(one: SharedLink) -> dict[str, Any]:
    return {
        "name": one.name,
        "generation": one.generation,
        "lanes": one.lanes,
        "payload_bytes_per_second": _whole(one.payload_bytes_per_second),
        "wanted_bytes_per_second": _whole(one.wanted_bytes_per_second),
        "positions": list(one.positions),
    }


def _array_json(one: ArrayBudget) -> dict[str, Any]:
    return {
        "name": one.name,
        "level": one.level,
        "members": one.members,
        "raw_bytes": one.raw_bytes,
        "usable_bytes": one.usable_bytes,
        "tolerated_failures": one.tolerated_failures,
        "small_write_operations": one.small_write_operations,
        "read_bytes_per_second": _whole(one.read_bytes_per_second),
        "write_bytes_per_second": _whole(one.write_bytes_per_second),
        "small_writes_per_second": _whole(one.small_writes_per_second),
        "rebuild": None if one.rebuild is None else _rebuild_json(one.rebuild),
    }


def _rebuild_json(one: Rebuild) -> dict[str, Any]:
    return {
        "seconds": round(one.seconds),
        "bytes_per_second": round(one.bytes_per_second),
        "limited_by": one.limited_by,
        "survivors": one.survivors,
        "spare_failures": one.spare_failures,
        "second_failure_probability": one.second_failure_probability,
        "loss_probability": one.loss_probability,
        "unreadable_probability": one.unreadable_probability,
        "unreadable_loses_data": one.unreadable_loses_data,
    }


def _network_json(one: NetworkBudget) -> dict[str, Any]:
    return {
        "name": one.name,
        "mode": one.mode,
        "members": one.members,
        "together_bits_per_second": one.together_bits_per_second,
        "one_flow_bits_per_second": one.one_flow_bits_per_second,
    }


def _power_json(one: PowerBudget) -> dict[str, Any]:
    return {
        "items": [{"name": item.name, "watts": item.watts, "declared": item.declared} for item in one.items],
        "total_watts": one.total_watts,
        "supply_watts": one.supply_watts,
        "free_share": None if one.free_share is None else round(one.free_share, 4),
        "wanted_free_share": one.wanted_free_share,
        "heat_btu_per_hour": round(one.heat_btu_per_hour),
        "air_m3_per_hour": round(one.air_m3_per_hour, 1),
        "air_rise_celsius": one.air_rise_celsius,
    }
