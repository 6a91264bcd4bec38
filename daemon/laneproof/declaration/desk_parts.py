"""What only the desk check of a plan asks for: shared links, single network ports, the processor, the supply."""

from pydantic import Field

from laneproof.declaration.fields import Count, DevicePath, Generation, Lanes, Name, Positive, StrictTable


class UplinkPlan(StrictTable):
    """A link that several positions share: a chipset's way to the processor, or a switch card's own link."""

    generation: Generation | None = Field(default=None, description="PCIe generation of the shared link")
    lanes: Lanes | None = Field(default=None, description="how many lanes the shared link has")
    path: DevicePath | None = Field(
        default=None, description="the shared bridge: every position below it shares the link"
    )
    positions: tuple[Name, ...] = Field(
        default=(), description="labels of positions that share it, where no path tells"
    )


class NetworkPlan(StrictTable):
    """One network port that stands alone, in no bond."""

    name: Name = Field(description="the interface's name")
    speed_mbit_s: Count | None = Field(default=None, description="its speed, in Mbit/s")


class ProcessorPlan(StrictTable):
    """The processor, for the sum of power."""

    watts: Positive | None = Field(default=None, description="what its package draws at full load")


class SupplyPlan(StrictTable):
    """The power supply."""

    watts: Positive = Field(description="what it can give without end, all outputs together")
