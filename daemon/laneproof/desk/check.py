"""The desk check: whether a declaration fits together, and what such a box can do, with no hardware at all.

All figures are ceilings that nothing can pass, or sums of what parts draw at most; none is a promise. What the
declaration does not say is taken from `Assumptions`, and every one that was used is said.
"""

from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from laneproof.declaration.build import Build
from laneproof.declaration.kernel_words import ASPM_OFF_COSTS, is_aspm_off
from laneproof.desk.arrays import ArrayBudget, budget_arrays
from laneproof.desk.bottleneck import Bottleneck, Throughput, find_bottleneck
from laneproof.desk.links import LinkBudget, SharedLink, budget_links
from laneproof.desk.network import NetworkBudget, budget_network
from laneproof.desk.power import PowerBudget, budget_power
from laneproof.desk.problems import Assumption, BudgetNotes, BudgetProblem
from laneproof.desk.processor import check_processor
from laneproof.desk.sockets import check_devices, check_keys, check_slots


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskCheck:
    """What a desk check found.

    Attributes:
        positions: Each position's link.
        shared: Links that several positions share.
        network: Each bond and each port alone.
        throughput: What the drives and the network can carry together.
        bottleneck: The narrowest part; None where nothing has a ceiling.
        conditions: What the verdict rests on, and only the board's manual can say: each fits into "fits if ...".
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
    conditions: tuple[str, ...]
    remarks: tuple[str, ...]
    assumptions: tuple[Assumption, ...]

    @property
    def fits(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.problems

    def as_json(self) -> dict[str, Any]:
        """Give the desk check's JSON."""
        parts = {field.name: getattr(self, field.name) for field in fields(self) if field.name != "build"}
        return {"schema": 1, "box": self.build.box.name, "fits": self.fits, **_as_json(parts)}


def check_budget(build: Build) -> DeskCheck:
    """Check a declaration at the desk."""
    notes = BudgetNotes(assume=build.assume)
    if build.kernel and any(map(is_aspm_off, build.kernel.command_line)):
        notes.remark(ASPM_OFF_COSTS)
    conditions = check_slots(build, notes)
    check_keys(build, notes)
    check_devices(build, notes)
    links, shared = budget_links(build, notes)
    check_processor(build, links, notes)
    arrays = budget_arrays(build, {link.label: link for link in links}, notes)
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
        conditions=conditions,
        remarks=tuple(notes.remarks),
        assumptions=notes.assumptions,
    )


# --- JSON -------------------------------------------------------------------------------------------------------------

_DIGITS = {"free_share": 4, "air_m3_per_hour": 1, "heat_btu_per_hour": None, "seconds": None}
"""How many digits a figure has after the point; rates have none."""


def _as_json(value: Any, name: str = "") -> Any:  # noqa: ANN401 (any field of the results)
    if is_dataclass(value):
        return {field.name: _as_json(getattr(value, field.name), field.name) for field in fields(value)}
    if isinstance(value, dict):
        return {key: _as_json(inner, key) for key, inner in value.items()}
    if isinstance(value, tuple):
        return [_as_json(inner, name) for inner in value]
    if isinstance(value, float) and (name in _DIGITS or name.endswith("_per_second")):
        return round(value, _DIGITS.get(name))
    return value
