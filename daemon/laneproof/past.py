"""What a rule may know of earlier passes: values that were queried before, never a database.

`Past` is made by the engine from its history; a one-shot audit has an empty one.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from laneproof.ledger.box_book import BoxBook
from laneproof_collectors.snapshot import Snapshot


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """One boot that was seen, with what could change a link's limits between boots."""

    boot_id: str
    first_seen_at: float  # unix seconds
    bios_version: str | None = None
    bios_date: str | None = None
    kernel_release: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLimits:
    """The limits of a position's link as they stood in an earlier boot."""

    boot_id: str
    target_gt_s: float | None
    capable_gt_s: float | None
    capable_lanes: int | None
    aspm_enabled: int | None = None  # the port's bit field, 1 L0s, 2 L1; None where it was not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """Earlier passes, as far as a rule may see them."""

    previous: Snapshot | None = None
    boots: tuple[Boot, ...] = ()  # oldest first, the running one last
    earlier_limits: Mapping[str, LinkLimits] = field(
        default_factory=dict
    )  # path -> limits of the last boot with another BIOS
    box: BoxBook = field(default_factory=BoxBook)  # arrays, counters, fans: this pass taken in


NOTHING = Past()
"""The past of a first look."""
