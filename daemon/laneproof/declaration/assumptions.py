"""What the desk check takes for granted where the declaration is silent.

Each has its source, each is printed, and each can be overridden in ``[assume]``.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from laneproof.declaration.fields import Positive, RateBytes, Share, StrictTable, refuse_truth

_NO_SOURCE = "common practice, no source"


class Assumptions(StrictTable):
    """Figures that the desk check uses where nothing else is declared."""

    max_payload_bytes: Annotated[Literal[128, 256, 512, 1024, 2048, 4096], BeforeValidator(refuse_truth)] = Field(
        default=256, description="largest payload of one PCIe packet"
    )
    network_payload_share: Share = Field(default=0.941, description="share of a network link's bits that are payload")
    rebuild_rate: RateBytes = Field(default=204_800_000, description="how fast a rebuild runs: '200 MB/s'")
    annual_failure_rate: Share = Field(default=0.01, description="share of drives that fail in a year")
    unreadable_per_bit: Share = Field(default=1e-15, description="unrecoverable read errors per bit read")
    nvme_watts: Positive = Field(default=9.0, description="an NVMe drive at full load")
    sata_watts: Positive = Field(default=8.0, description="a SATA drive at full load")
    usb_watts: Positive = Field(default=4.5, description="a USB drive at full load")
    network_watts: Positive = Field(default=10.0, description="a network card at full load")
    other_watts: Positive = Field(default=25.0, description="any other card at full load")
    memory_module_watts: Positive = Field(default=5.0, description="a memory module at full load")
    processor_watts: Positive = Field(default=65.0, description="the processor's package at full load")
    board_watts: Positive = Field(default=20.0, description="the board itself, fans included")
    supply_margin: Share = Field(default=0.2, description="share of the supply that should stay free")
    air_rise_celsius: Positive = Field(default=10.0, description="how much warmer the air may leave the box")


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """Where an assumption's default comes from, and the unit to print with it, if any."""

    unit: str | None
    source: str


BASES = {
    "max_payload_bytes": Basis(
        unit="bytes", source="what most root ports and drives agree on; common practice, no source"
    ),
    "network_payload_share": Basis(
        unit=None,
        source="1448 of 1538 bytes: IEEE 802.3 frame with its gap, 1500 byte MTU, IPv4, TCP with time stamps",
    ),
    "rebuild_rate": Basis(
        unit="bytes/s", source="md's default ceiling of 200000 KiB/s: kernel drivers/md/md.c, sysctl_speed_limit_max"
    ),
    "annual_failure_rate": Basis(unit="a year", source=_NO_SOURCE),
    "unreadable_per_bit": Basis(
        unit="per bit", source="client class of JEDEC JESD218, at most 1e-15; enterprise class 1e-16 (from memory)"
    ),
    "nvme_watts": Basis(unit="W", source=_NO_SOURCE),
    "sata_watts": Basis(unit="W", source=_NO_SOURCE),
    "usb_watts": Basis(unit="W", source="900 mA at 5 V, what a port gives: USB 3.2 specification (from memory)"),
    "network_watts": Basis(unit="W", source=_NO_SOURCE),
    "other_watts": Basis(unit="W", source=_NO_SOURCE),
    "memory_module_watts": Basis(unit="W", source=_NO_SOURCE),
    "processor_watts": Basis(unit="W", source=_NO_SOURCE),
    "board_watts": Basis(unit="W", source=_NO_SOURCE),
    "supply_margin": Basis(unit=None, source=_NO_SOURCE),
    "air_rise_celsius": Basis(unit="degrees C", source=_NO_SOURCE),
}
"""By the assumption's key; a test holds that none is missing."""
