"""The ports and drives of a simulated box, with their knobs."""

from dataclasses import dataclass, field
from enum import StrEnum

from simulation.box_parts import NetworkCard
from simulation.pages import Health


class Presence(StrEnum):
    """Whether a drive is on its bus."""

    HERE = "here"
    UNBOUND = "unbound"  # on the bus, and given up by the driver
    DEAD = "dead"  # the kernel still lists its function, which answers with all ones
    AWAY = "away"


@dataclass(slots=True, kw_only=True)
class Drive:
    """An NVMe drive; its history goes with it from port to port."""

    serial: str
    model: str = "Fathomline Petrel 4000"
    firmware: str = "FP12"
    capacity_bytes: int = 4_000_787_030_016
    generation: int = 4
    lanes: int = 4
    warning_celsius: int = 80
    critical_celsius: int = 85
    vendor: int = 0xFFF3  # not assigned to anybody when this was written
    device: int = 0x4000
    health: Health = field(default_factory=Health)
    transitions_enabled: bool = False
    latency_tolerance: str = "0"
    health_bytes: bytes | None = None  # what log 02h reads instead of its health
    refuses_health: int | None = None  # the NVMe status with which it refuses log 02h
    stat: list[int] = field(default_factory=lambda: [0] * 11)
    counters: dict[str, int] = field(default_factory=dict)  # of this end of the link, since it was last enumerated
    has_aer: bool = True
    power_control: str = "on"
    state: str = "live"
    sleeps: bool = False  # its function is suspended
    presence: Presence = Presence.HERE
    number: int | None = None  # of its controller; None: in the order of the tree, as at boot
    sysfs_path: str = ""  # its folder in sysfs, since the box was last laid out

    @property
    def address(self) -> str:
        """Where it is on the bus."""
        return self.sysfs_path.rpartition("/")[2]


@dataclass(slots=True, kw_only=True)
class Port:
    """A downstream-facing port: a socket, one branch of a split slot, or the uplink of a switch card."""

    hop: str  # device.function
    generation: int = 4
    lanes: int = 4
    slot_number: int = 0
    drive: Drive | None = None
    switch: "list[Port] | None" = None
    card: NetworkCard | None = None
    target_generation: int | None = None
    wired_lanes: int | None = None  # what really connects, where that is less than both ends
    forced_generation: int | None = None  # what training reached, where that is less than both ends and the target
    forced_lanes: int | None = None  # likewise
    aspm_enabled: int = 0
    counters: dict[str, int] = field(default_factory=dict)
    has_aer: bool = True
    silent: bool = False  # the device below does not answer
    hot_plug: bool = False
    path: str = ""  # as a declaration has it
    sysfs_path: str = ""  # its folder in sysfs, since the box was last laid out

    @property
    def address(self) -> str:
        """Where it is on the bus."""
        return self.sysfs_path.rpartition("/")[2]

    @property
    def partner_limits(self) -> tuple[int, int] | None:
        """Generation and lanes of what is below, None where nothing trains."""
        if self.silent or (self.drive is not None and self.drive.presence in (Presence.DEAD, Presence.AWAY)):
            return None
        if self.drive is not None:
            return self.drive.generation, self.drive.lanes
        if self.card is not None:
            return self.card.generation, self.card.lanes
        return (4, 4) if self.switch is not None else None

    def train(self) -> tuple[int, int] | None:
        """Generation and lanes on which both ends agree."""
        limits = self.partner_limits
        if limits is None:
            return None
        ceiling = min(self.generation, limits[0], self.target_generation or 9, self.forced_generation or 9)
        return ceiling, min(self.lanes, limits[1], self.wired_lanes or 99, self.forced_lanes or 99)
