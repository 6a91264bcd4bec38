"""What a box holds at one moment, as a value that can be kept: in the audit's JSON, and in the daemon's history.

Rules of this module: only what stays put between two snapshots is in it (no counts, temperatures, or states that come
and go), so that two inventories differ only where something changed. What could not be read is null, and `unread` says
why for whole parts; null is never taken for "not there". What it does not do: compare (see ``laneproof.changes``).
"""

from pydantic import BaseModel, ConfigDict, Field

from laneproof.box.shown_positions import RateAndLanes


class _Kept(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_by_name=True, serialize_by_alias=True, defer_build=True
    )


class KeptLink(_Kept):
    """One link; null where it is not known."""

    generation: int | None
    lanes: int | None
    transfers_per_second: float | None

    def __str__(self) -> str:
        """Give ``gen4 x4``; a part that is not known is a question mark."""
        rate = None if self.transfers_per_second is None else self.transfers_per_second / 1e9
        return str(RateAndLanes(generation=self.generation, lanes=self.lanes, gt_s=rate))


class KeptDevice(_Kept):
    """The device in a position."""

    kind: str | None
    name: str
    model: str | None
    serial: str | None
    firmware: str | None
    capacity_bytes: int | None
    ids: str | None = Field(default=None, description="vendor and device of its PCI function, as in 1b36:0010")
    drive: bool = Field(default=True, description="whether it stores data itself (a controller does not)")
    disks: tuple[str, ...] = Field(default=(), description="the kernel's disks on it")
    answers: bool = Field(default=True, description="false: the kernel still lists it, but it is gone from the bus")


class KeptPosition(_Kept):
    """One position of the tree."""

    path: str
    position: str | None
    declared: KeptLink | None
    trained: KeptLink | None
    capable: KeptLink | None
    occupant: KeptDevice | None


class KeptPort(_Kept):
    """A downstream-facing port and what is set at it."""

    path: str
    capable: KeptLink | None
    target_transfers_per_second: float | None = Field(description="the rate that it aims at (Link Control 2)")
    low_power_states: str | None = Field(description="link states (ASPM) enabled at it: off, L0s, L1, L0s and L1")


class KeptFirmware(_Kept):
    """Board, firmware and kernel."""

    board: str | None
    bios_version: str | None
    bios_date: str | None
    kernel: str | None
    boot_id: str | None


class KeptSettings(_Kept):
    """The kernel's own power settings in force."""

    command_line: tuple[str, ...] | None
    aspm_policy: str | None
    nvme_default_ps_max_latency_us: str | None
    port_power_management: str | None
    error_reporting: str | None = Field(description="who owns it (AER): os or off")


class KeptMember(_Kept):
    """One device of an array."""

    name: str
    serial: str | None
    path: str | None
    slot: int | None
    lost: bool


class KeptArray(_Kept):
    """One array."""

    name: str
    kind: str
    level: str | None
    size_bytes: int | None
    missing_members: int | None
    members: tuple[KeptMember, ...]


class KeptModule(_Kept):
    """One memory module."""

    locator: str
    size_bytes: int | None
    part: str
    rated_mt_s: int | None
    configured_mt_s: int | None


class KeptMemory(_Kept):
    """The memory."""

    total_bytes: int | None
    modules: tuple[KeptModule, ...] | None


class KeptInterface(_Kept):
    """One network interface with a device behind it."""

    name: str
    path: str | None
    speed_mbit_s: int | None


class KeptBond(_Kept):
    """One bond."""

    name: str
    mode: str | None
    members: tuple[str, ...]


class Inventory(_Kept):
    """What the box holds. A part that is null was not read, or is from before that part was kept."""

    firmware: KeptFirmware | None
    positions: tuple[KeptPosition, ...] = Field(validation_alias="places", serialization_alias="places")
    ports: tuple[KeptPort, ...] | None = None
    devices: tuple[KeptPosition, ...] | None = Field(
        default=None, description="what is in no position above: cards, chips"
    )
    settings: KeptSettings | None = None
    arrays: tuple[KeptArray, ...] | None = None
    memory: KeptMemory | None = None
    interfaces: tuple[KeptInterface, ...] | None = None
    bonds: tuple[KeptBond, ...] | None = None
    unread: dict[str, str] = Field(default_factory=dict, description="part that could not be read -> why")
