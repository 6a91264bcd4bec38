"""The declaration's tables: strict, frozen; what is left out is not compared.

`DeclaredUplink`, `DeclaredProcessor` and `DeclaredSupply` are for the desk check alone; `DeclaredFan` and
`DeclaredFileSystem` are only watched.
"""

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from laneproof.declaration.fields import (
    BranchLanes,
    Count,
    Day,
    DevicePath,
    Flag,
    Generation,
    Lanes,
    Name,
    Positive,
    RateBytes,
    Share,
    SizeBytes,
    StrictTable,
    Whole,
)
from laneproof.declaration.kernel_words import parse_bond_mode, parse_level

PartKind = Literal["board", "passive-split", "switch-card", "key-adapter", "flexible-cable"]
OccupantKind = Literal["nvme", "sata", "usb", "network", "other", "none"]
SocketKey = Literal["M", "B", "B+M", "E", "A"]


class DeclaredBox(StrictTable):
    """The box itself."""

    name: Name = Field(description="what the box is called")
    undeclared: Literal["report", "ignore"] = Field(
        default="report", description="what to do about drives in no declared position"
    )


class DeclaredKernel(StrictTable):
    """What the kernel's power settings are meant to be."""

    command_line: tuple[Name, ...] = Field(default=(), description="words that must be on the kernel's command line")
    aspm_policy: Literal["default", "performance", "powersave", "powersupersave"] | None = Field(
        default=None, description="the kernel's policy for low-power link states (ASPM), in its own words"
    )
    links_aspm: Literal["off", "on"] | None = Field(
        default=None, description="off: no low-power link state is enabled at either end of any declared link"
    )
    nvme_default_ps_max_latency_us: Whole | None = Field(
        default=None, description="nvme_core's latency limit; 0: drives never enter non-operational power states"
    )
    port_power_management: Literal["on", "off"] | None = Field(
        default=None, description="whether the kernel may put PCIe ports to sleep"
    )
    release: Name | None = Field(default=None, description="the kernel's release, whole or its beginning")


class DeclaredFirmware(StrictTable):
    """The board's firmware, as last set up by hand."""

    board: Name | None = Field(default=None, description="the board's name, as it reports it")
    bios_version: Name | None = Field(default=None, description="the version of the board's firmware")
    bios_date: Name | None = Field(default=None, description="the date of the board's firmware, as the board writes it")


class DeclaredLink(StrictTable):
    """A link as meant. A limit that the owner chose is meant too, and no fault."""

    generation: Generation | None = Field(default=None, description="PCIe generation, 1 to 6")
    lanes: Lanes | None = Field(default=None, description="how many lanes")
    because: Name | None = Field(default=None, description="why the owner limits it, for people")


class DeclaredSlot(StrictTable):
    """A slot with a link of its own, and how firmware splits it (bifurcation)."""

    path: DevicePath = Field(description="the bridge that the slot's branches, or its card, hang on")
    lanes: Lanes | None = Field(default=None, description="how many lanes the board wires to the slot")
    generation: Generation | None = Field(default=None, description="PCIe generation the slot can carry")
    split: tuple[BranchLanes, ...] = Field(
        default=(),
        description="lanes of each branch where it is split (bifurcated), lowest lanes first; empty: not split",
    )
    bifurcation: Flag | None = Field(default=None, description="whether the firmware can split this slot at all")
    power_limit_watts: Positive | None = Field(default=None, description="what the slot may feed to its card")


class Part(StrictTable):
    """Something that stands between a position and its device, with a name of its own where it can be swapped."""

    kind: PartKind = Field(description="what it is")
    id: Name | None = Field(default=None, description="what is written on it: its history stays with it")


def _part(value: object) -> object:
    return {"kind": value} if isinstance(value, str) else value


class DeclaredDevice(StrictTable):
    """A device that may be in a position. What is left out is not compared."""

    kind: OccupantKind | None = Field(default=None, description="what is fitted; none: meant to be empty")
    role: Name | None = Field(default=None, description="what it is for, such as data, cache or system")
    capacity: SizeBytes | None = Field(default=None, description="its size, as on its label: '4 TB'")
    model: Name | None = Field(default=None, description="its model, as it reports it")
    serial: Name | None = Field(default=None, description="its serial number")
    firmware: Name | None = Field(default=None, description="the firmware it should run")
    generation: Generation | None = Field(default=None, description="PCIe generation the device itself can do")
    lanes: Lanes | None = Field(default=None, description="how many lanes the device itself has")
    read: RateBytes | None = Field(default=None, description="what it reads in sequence, as its maker states: '7 GB/s'")
    write: RateBytes | None = Field(default=None, description="what it writes in sequence, and can keep up: '1.5 GB/s'")
    random_writes_per_second: Positive | None = Field(
        default=None, description="small random writes a second that it can keep up"
    )
    endurance: SizeBytes | None = Field(
        default=None, gt=0, description="how much may be written to it over its life, as its maker states: '600 TB'"
    )
    max_power_watts: Positive | None = Field(default=None, description="its largest power state")


class DeclaredOccupant(DeclaredDevice):
    """The device meant to be in a position, or those that take turns there. What is left out is not compared."""

    any_of: tuple[DeclaredDevice, ...] = Field(
        default=(), description="devices that take turns here; what stands beside it holds for each of them"
    )

    @model_validator(mode="after")
    def _turns_make_sense(self) -> Self:
        if self.any_of and (self.kind == "none" or self.serial is not None):
            beside = 'kind = "none"' if self.kind == "none" else "a serial number"
            raise ValueError(f"{beside} beside any_of says that there is one device, or none: write each in any_of")
        return self

    @property
    def devices(self) -> tuple[DeclaredDevice, ...]:
        """Each device that may be here, with what it has in common with the others."""
        if not self.any_of:
            return (self,)
        common = {key: getattr(self, key) for key in self.model_fields_set - {"any_of"}}
        own = [{key: getattr(device, key) for key in device.model_fields_set} for device in self.any_of]
        return tuple(DeclaredDevice.model_construct(**(common | values)) for values in own)


class DeclaredPosition(StrictTable):
    """One position: where a device goes."""

    label: Name = Field(description="what is printed on the board, or written on the tape")
    path: DevicePath = Field(description="the chain of bridges down to it: host bridge, then device.function hops")
    slot: Name | None = Field(default=None, description="the slot it belongs to")
    branch: Count | None = Field(default=None, description="which branch of the split slot, counted from 1")
    key: SocketKey | None = Field(default=None, description="the key of its M.2 socket on the board")
    through: tuple[Annotated[Part, BeforeValidator(_part, json_schema_input_type=Part | PartKind)], ...] = Field(
        default=(), description="what stands between the position and the device, in order"
    )
    link: DeclaredLink | None = Field(default=None, description="the link as meant")
    occupant: DeclaredOccupant | None = Field(default=None, description="the device meant to be here")
    removable: Flag | None = Field(
        default=None, description="true: its device is taken out and put back now and then; empty is no fault"
    )


class DeclaredArray(StrictTable):
    """A redundant array over positions."""

    name: Name = Field(description="the array's name, such as md0")
    level: Annotated[Name, BeforeValidator(parse_level)] | None = Field(
        default=None, description="its level: raid0, raid1, raid5, raid6, raid10 ..."
    )
    members: tuple[Name, ...] = Field(default=(), description="labels of the positions that make it up")
    spares: tuple[Name, ...] = Field(default=(), description="labels of the positions that stand by for a rebuild")
    scrub_every_days: Count | None = Field(
        default=None, description="the longest time between two checks of all its members, in days"
    )


class DeclaredMemory(StrictTable):
    """The memory as fitted."""

    total: SizeBytes | None = Field(default=None, description="all of it: '64 GiB'")
    modules: Count | None = Field(default=None, description="how many modules")
    speed_mt_s: Count | None = Field(default=None, description="the rate it runs at, in millions of transfers a second")
    rated_mt_s: Count | None = Field(
        default=None, description="the rate the modules are sold for, where the board's table has a lower one or none"
    )
    channels: Count | None = Field(default=None, description="over how many channels the modules are spread")
    ecc: Flag | None = Field(default=None, description="whether it corrects errors")


class DeclaredBond(StrictTable):
    """A bond of network ports."""

    name: Name = Field(description="the bond's name, such as bond0")
    mode: Annotated[Name, BeforeValidator(parse_bond_mode)] | None = Field(
        default=None, description="its mode, in the kernel's words: 802.3ad, active-backup ..."
    )
    members: tuple[Name, ...] = Field(default=(), description="the interfaces it is made of")
    member_speed_mbit_s: Count | None = Field(default=None, description="the speed of each member, in Mbit/s")


class DeclaredUplink(StrictTable):
    """A link that several positions share: a chipset's way to the processor, or a switch card's own link."""

    generation: Generation | None = Field(default=None, description="PCIe generation of the shared link")
    lanes: Lanes | None = Field(default=None, description="how many lanes the shared link has")
    path: DevicePath | None = Field(
        default=None, description="the shared bridge: every position below it shares the link"
    )
    positions: tuple[Name, ...] = Field(
        default=(), description="labels of positions that share it, where no path shows it"
    )


class DeclaredNetworkPort(StrictTable):
    """One network port that stands alone, in no bond."""

    name: Name = Field(description="the interface's name")
    speed_mbit_s: Count | None = Field(default=None, description="its speed, in Mbit/s")


class DeclaredProcessor(StrictTable):
    """The processor."""

    lanes: Count | None = Field(
        default=None, description="how many lanes it has for slots, sockets and shared links together"
    )
    watts: Positive | None = Field(default=None, description="what its package draws at full load")


class DeclaredSupply(StrictTable):
    """The power supply."""

    watts: Positive = Field(description="what it can give without end, all outputs together")


class DeclaredFan(StrictTable):
    """A fan that must turn. Board connectors with nothing on them read 0, so only a declared one is missed at once."""

    label: Name = Field(description="the fan, as its chip labels it, such as fan2")
    chip: Name | None = Field(default=None, description="its chip, where several have a fan of that label")
    minimum_rpm: Count | None = Field(default=None, description="the least it must turn, in revolutions a minute")


class DeclaredFileSystem(StrictTable):
    """A file system that must be mounted."""

    mount: Name = Field(description="where it is mounted")
    full_above: Share | None = Field(default=None, description="how full it may become, as a share: 0.85")
    read_only: Flag | None = Field(default=None, description="true: it is mounted read-only on purpose")


class Acceptance(StrictTable):
    """A difference that the owner lives with, for now, and says why."""

    rule: Name = Field(description="the rule that would speak")
    position: Name | None = Field(default=None, description="the position it is about; left out: wherever it speaks")
    until: Day | None = Field(default=None, description="the last day it is accepted")
    because: Name = Field(description="why")
