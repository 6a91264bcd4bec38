"""The declaration's own model: strict, frozen, everything optional but the name of the box and each position's label and path.

Only what is declared is compared. Reading the file, with errors that name line and near miss, is ``file.py``'s.
"""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from laneproof.build.units import parse_bytes

SCHEMA = 1
SizeBytes = Annotated[
    int,
    BeforeValidator(parse_bytes, json_schema_input_type=str | int),
    Field(description="a size as people write it: '4 TB', '64 GiB', or a number of bytes"),
]
PATH_PATTERN = r"^[0-9a-f]{4,5}:[0-9a-f]{2}(/[0-9a-f]{2}\.[0-7])*(/(ata|usb|phy)-[0-9.:]+)?$"
"""A path of bridges: the host bridge, then device.function hops; what hangs on a controller adds its own hop."""
DevicePath = Annotated[str, Field(pattern=PATH_PATTERN)]

PartKind = Literal["board", "passive-split", "switch-card", "key-adapter", "flexible-cable"]
OccupantKind = Literal["nvme", "sata", "network", "other", "none"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Box(_Strict):
    """The box itself."""

    name: str = Field(min_length=1)
    undeclared: Literal["report", "ignore"] = "report"  # drives in no declared position


class KernelPlan(_Strict):
    """What the kernel's power settings are meant to be."""

    command_line: tuple[str, ...] = ()  # words that must be there
    aspm_policy: Literal["default", "performance", "powersave", "powersupersave"] | None = None
    links_aspm: Literal["off", "on"] | None = (
        None  # off: no low-power link state enabled at either end of a declared link
    )
    nvme_default_ps_max_latency_us: int | None = Field(default=None, ge=0)
    port_power_management: Literal["on", "off"] | None = None
    release: str | None = None  # the kernel's release, whole or its beginning


class FirmwarePlan(_Strict):
    """The board's firmware, as last set up by hand."""

    board: str | None = None
    bios_version: str | None = None
    bios_date: str | None = None


class LinkPlan(_Strict):
    """A link as meant. A limit that the owner chose is the plan, not a fault."""

    generation: int | None = Field(default=None, ge=1, le=6)
    lanes: Literal[1, 2, 4, 8, 12, 16, 32] | None = None
    because: str | None = None  # why the owner limits it, for people


class SlotPlan(_Strict):
    """A slot with a link of its own, and how firmware splits it."""

    path: DevicePath
    lanes: Literal[1, 2, 4, 8, 12, 16, 32] | None = None
    generation: int | None = Field(default=None, ge=1, le=6)
    split: tuple[Literal[1, 2, 4, 8, 16], ...] = ()


class Part(_Strict):
    """Something that stands between a position and its device, with a name of its own where it can be swapped."""

    kind: PartKind
    id: str | None = None  # what is written on it: its history stays with it


def _part(value: object) -> object:
    return {"kind": value} if isinstance(value, str) else value


class Occupant(_Strict):
    """The device meant to be in a position. What is left out is not compared."""

    kind: OccupantKind | None = None
    role: str | None = None
    capacity: SizeBytes | None = None
    model: str | None = None
    serial: str | None = None
    firmware: str | None = None


class Position(_Strict):
    """One place a device goes."""

    label: str = Field(min_length=1)
    path: DevicePath
    slot: str | None = None
    branch: int | None = Field(default=None, ge=1)
    through: tuple[Annotated[Part, BeforeValidator(_part, json_schema_input_type=Part | PartKind)], ...] = ()
    link: LinkPlan | None = None
    occupant: Occupant | None = None


class ArrayPlan(_Strict):
    """A redundant array over positions."""

    name: str
    level: str | None = None
    members: tuple[str, ...] = ()


class MemoryPlan(_Strict):
    """The memory as fitted."""

    total: SizeBytes | None = None
    modules: int | None = Field(default=None, ge=1)
    speed_mt_s: int | None = Field(default=None, ge=1)
    ecc: bool | None = None


class AggregatePlan(_Strict):
    """A bond of network ports."""

    name: str
    mode: str | None = None
    members: tuple[str, ...] = ()
    member_speed_mbit_s: int | None = Field(default=None, ge=1)


class Acceptance(_Strict):
    """A difference that the owner lives with, for now, and says why."""

    rule: str
    position: str | None = None
    until: date | None = None
    because: str = Field(min_length=1)


class Build(_Strict):
    """What a box is meant to be."""

    schema_version: Literal[1] = Field(alias="schema")
    box: Box
    firmware: FirmwarePlan | None = None
    kernel: KernelPlan | None = None
    slot: dict[str, SlotPlan] = Field(default_factory=dict)
    position: tuple[Position, ...] = ()
    array: tuple[ArrayPlan, ...] = ()
    memory: MemoryPlan | None = None
    aggregate: tuple[AggregatePlan, ...] = ()
    accept: tuple[Acceptance, ...] = ()

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        """Each label and path once, and every name that is used is declared; all problems in one error."""
        problems = list(_find_name_problems(self))
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def position_at(self, path: str) -> Position | None:
        """Find the position declared at a path."""
        return next((one for one in self.position if one.path == path), None)

    def position_named(self, label: str) -> Position | None:
        """Find a position by its label."""
        return next((one for one in self.position if one.label == label), None)


def _find_name_problems(build: Build) -> list[str]:
    labels = [one.label for one in build.position]
    paths = [one.path for one in build.position]
    problems = [
        f"two positions are labelled {label!r}" for label in sorted({one for one in labels if labels.count(one) > 1})
    ]
    problems += [
        f"two positions have the path {path!r}" for path in sorted({one for one in paths if paths.count(one) > 1})
    ]
    for one in build.position:
        if one.slot is not None and one.slot not in build.slot:
            problems.append(f"position {one.label!r} is in slot {one.slot!r}, which is not declared")
        elif one.slot and one.branch and build.slot[one.slot].split and one.branch > len(build.slot[one.slot].split):
            problems.append(f"position {one.label!r} is branch {one.branch} of slot {one.slot!r}, which has fewer")
    for array in build.array:
        problems += [
            f"array {array.name!r} has the member {member!r}, which is no declared position"
            for member in array.members
            if member not in labels
        ]
    problems += [
        f"the accepted {one.rule!r} names the position {one.position!r}, which is not declared"
        for one in build.accept
        if one.position is not None and one.position not in labels
    ]
    return problems
