"""What one run came to, as it is kept and printed: facts alone, from which every judgement can be made again.

Exposure is counted in bits that crossed a link towards the host, which is the way that reading loads. Errors are kept
by the end that received them, in the kernel's short names. While the run goes on its sums grow in place (`run_totals`).
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from laneproof.box.link_rates import generation_at, payload_bytes_per_second
from laneproof.evidence.bit_error_ratio import receiver_errors

ENDS: tuple[Literal["port", "device"], ...] = ("port", "device")
CELSIUS_STEP = 5
"""Exposure is kept apart by temperature in steps of so many degrees."""
_Seconds = Annotated[float, Field(ge=0, lt=253_402_300_800)]  # the year 10000: no date can be written beyond


class StageName(StrEnum):
    """The stages, in their order. Each tells one cause from the others."""

    REST = "rest"
    ALONE = "alone"
    SMALL = "small"
    TOGETHER = "together"
    WAKE = "wake"
    HEAT = "heat"


LOADED = (StageName.ALONE, StageName.SMALL, StageName.TOGETHER, StageName.HEAT)
"""The stages in which links carry data."""
ALL_LOADED = (StageName.TOGETHER, StageName.HEAT)
"""Those in which all drives are busy: what comes in some of their minutes only is kept apart by temperature."""


class KeptModel(BaseModel):
    """A value that is kept as JSON."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)


class Sum(BaseModel):
    """A value that grows while the run goes on."""

    model_config = ConfigDict(extra="forbid", defer_build=True)


class Counts(Sum):
    """Errors that one end counted, by the kernel's short names."""

    by_class: dict[str, int] = Field(default_factory=dict)

    def add(self, risen: Mapping[str, int]) -> None:
        """Add what came since."""
        for name, count in risen.items():
            self.by_class[name] = self.by_class.get(name, 0) + count

    @property
    def received(self) -> int:
        """The fewest errors on the wire that explain what its receiver counted."""
        return receiver_errors(
            rx_err=self.by_class.get("RxErr", 0),
            bad_tlp=self.by_class.get("BadTLP", 0),
            bad_dllp=self.by_class.get("BadDLLP", 0),
        )[0]

    @property
    def repeats(self) -> int:
        """How often it repeated a packet for want of an answer."""
        return self.by_class.get("Timeout", 0) + self.by_class.get("Rollover", 0)


class LinkTally(Sum):
    """One link in one stage.

    Attributes:
        seconds: How long it was watched.
        bits: Bits carried towards the host.
        serious: Uncorrectable errors at either end.
    """

    seconds: float = 0.0
    bits: float = 0.0
    port: Counts = Field(default_factory=Counts)
    device: Counts = Field(default_factory=Counts)
    serious: int = 0

    @property
    def errors(self) -> int:
        """Errors at the end that saw more of them; the ends are never added up as if they were independent."""
        return max(self.port.received, self.device.received)

    @property
    def repeats(self) -> int:
        """Packets that an end repeated for want of an answer."""
        return max(self.port.repeats, self.device.repeats)


class Exposure(Sum):
    """Bits carried and errors made under some condition."""

    bits: float = 0.0
    errors: int = 0


class LinkRun(Sum):
    """One link over the whole run.

    Attributes:
        name: The position's label, the shared link's name, else the path.
        path: That of the position below it.
        used_by: Names of the drives whose data crosses it.
        declared_gt_s: As declared, and the lanes likewise; None where it is not.
        trained_gt_s: The least that was seen under load, else at all; None where it could not be read.
        capable_gt_s: What both its ends can do.
        counting_ends: Which ends count their errors: port, device.
        retrained: How often its rate or width was seen to change under load.
        stages: By stage, what was counted.
        by_celsius: By the drive's temperature (the lower end of each step), what was carried
            and counted while all drives were busy.
    """

    name: str
    path: str
    used_by: tuple[str, ...]
    declared_gt_s: float | None = None
    declared_lanes: int | None = None
    trained_gt_s: float | None = None
    trained_lanes: int | None = None
    capable_gt_s: float | None = None
    capable_lanes: int | None = None
    counting_ends: tuple[Literal["port", "device"], ...] = ()
    retrained: int = 0
    stages: dict[StageName, LinkTally] = Field(default_factory=dict)
    by_celsius: dict[int, Exposure] = Field(default_factory=dict)

    @property
    def is_shared(self) -> bool:
        """Whether several drives use it."""
        return len(self.used_by) > 1

    @property
    def bits(self) -> float:
        """Bits carried in the whole run."""
        return sum(tally.bits for tally in self.stages.values())

    @property
    def errors(self) -> int:
        """Errors in the whole run, at the end that saw more of them."""
        ends = ([tally.port for tally in self.stages.values()], [tally.device for tally in self.stages.values()])
        return max(sum(counts.received for counts in end) for end in ends)

    @property
    def repeats(self) -> int:
        """Packets repeated in the whole run."""
        return sum(tally.repeats for tally in self.stages.values())

    @property
    def serious(self) -> int:
        """Uncorrectable errors in the whole run."""
        return sum(tally.serious for tally in self.stages.values())

    @property
    def ceiling_bytes(self) -> float | None:
        """The most payload that it can carry a second as it is trained; None where rate or width is not known."""
        generation = None if self.trained_gt_s is None else generation_at(self.trained_gt_s)
        return payload_bytes_per_second(generation, self.trained_lanes) if generation and self.trained_lanes else None

    @property
    def bits_per_byte(self) -> float:
        """Bits on the link for each byte read: line code and packets at their usual size included."""
        ceiling = self.ceiling_bytes
        if not (ceiling and self.trained_gt_s and self.trained_lanes):
            return 8.0
        return self.trained_gt_s * 1e9 * self.trained_lanes / ceiling

    def exposure(self, *stages: StageName) -> Exposure:
        """Give what was carried and counted in some stages."""
        tallies = [tally for name, tally in self.stages.items() if name in stages]
        return Exposure(bits=sum(tally.bits for tally in tallies), errors=sum(tally.errors for tally in tallies))


class DriveTally(Sum):
    """One drive in one stage: how long it was loaded, and what it read by the kernel's account."""

    seconds: float = 0.0
    read_bytes: int = 0
    reads: int = 0
    read_milliseconds: int = 0

    @property
    def bytes_per_second(self) -> float | None:
        """Its rate; None where it was not loaded."""
        return self.read_bytes / self.seconds if self.seconds else None


class WakeRun(KeptModel):
    """How a drive came back from rest.

    Attributes:
        state: The deepest state that it goes to by itself; None where it goes to none.
        idle_seconds: How long it was left alone before each read.
        exit_us: The longest time that leaving the state takes, as the drive states it.
        median_us: Time of a read in the middle.
        longest_us: Of the longest.
        why_unknown: Why nothing is known of its states, or of its wakes.
    """

    state: int | None = None
    idle_seconds: float = 0.0
    exit_us: int | None = None
    reads: int = 0
    median_us: float | None = None
    longest_us: float | None = None
    why_unknown: str | None = None


class DriveRun(Sum):
    """One drive over the whole run.

    Attributes:
        name: The position's label, else its path.
        interface: nvme, sata, sas, usb or scsi.
        serial: Its serial number, empty where it is not known.
        ceiling_bytes: What its own link can carry, bytes a second; None where that is not known.
        declared_read_bytes: What its maker states, if declared.
        predicted_bytes: What it should give with all others busy, by the links' sharing.
        warning_celsius: Its own warning threshold.
        hottest_celsius: The hottest that was read.
        warning_minutes: Minutes above its own limits that it counted meanwhile.
        throttled: How often it slowed itself down for heat, by its own count.
        held_back_seconds: How long its load was held back for its warning threshold.
        media_errors: New ones; for others than NVMe drives, new sectors that are replaced, pending or lost.
        transfer_errors: Transfers over its cable that failed, by its own count; None where it counts none.
        idle_states_on: Whether it goes to rest by itself; None where that is not known.
        first_heat_bytes: Its rate in the first minute of the heat soak.
        last_heat_bytes: And in the last.
        wake: How it came back from rest.
        small_read_us: Time of a small read under load, in the middle.
        stopped: Why its load was stopped before its time.
    """

    name: str
    path: str
    interface: str = "nvme"
    serial: str = ""
    model: str = ""
    firmware: str = ""
    ceiling_bytes: float | None = None
    declared_read_bytes: float | None = None
    predicted_bytes: float | None = None
    warning_celsius: float | None = None
    hottest_celsius: float | None = None
    warning_minutes: int = 0
    throttled: int = 0
    held_back_seconds: float = 0.0
    media_errors: int = 0
    transfer_errors: int | None = None
    idle_states_on: bool | None = None
    first_heat_bytes: float | None = None
    last_heat_bytes: float | None = None
    stages: dict[StageName, DriveTally] = Field(default_factory=dict)
    wake: WakeRun | None = None
    small_read_us: float | None = None
    stopped: str | None = None

    def rate(self, stage: StageName) -> float | None:
        """Give its rate in a stage, bytes a second; None where it was not loaded in it."""
        return self.stages[stage].bytes_per_second if stage in self.stages else None


class Happening(KeptModel):
    """Something that happened meanwhile, with what held at that moment.

    Attributes:
        at: Seconds since the run began.
        name: The position or link; empty for the box.
        kind: errors, retrained, gone, reset, time-out, media-error, read-error, heat, fan or other.
        bytes_per_second: The drive's rate.
        celsius: The drive's temperature.
        loaded: The drives that were loaded.
    """

    at: float
    stage: StageName
    name: str
    kind: str
    text: str
    count: int = 1
    bytes_per_second: float | None = None
    celsius: float | None = None
    loaded: tuple[str, ...] = ()


class StageRun(Sum):
    """One stage: how long it was to take, and took."""

    name: StageName
    began: float
    seconds: float = 0.0
    planned_seconds: float


class ProofRun(KeptModel):
    """One acceptance run, as it is kept.

    Attributes:
        began_at: Unix seconds.
        mode: quick, default or thorough.
        rate_bytes: Bytes a second at most for each drive, as the owner asked; None for as many as there can be.
        although: Why the owner ran it although it was refused.
        is_virtual: Whether it ran in a virtual machine, where links are made up.
        parts: By position, what stands between board and drive, as declared.
        stopped: Why it ended before its time.
        stages: The stages that were begun.
        happenings: What happened, oldest first.
        gaps: What was to be shown and was not, in sentences: with one of them the box is not proven.
        not_shown: What no run can show here, in sentences.
        only: The one position that was asked for; None where all were.
    """

    schema_version: Literal[1] = Field(default=1, alias="schema")
    box: str
    began_at: _Seconds
    seconds: _Seconds
    mode: str
    rate_bytes: int | None = None
    although: str | None = None
    is_virtual: bool = False
    kernel: str = ""
    parts: dict[str, str] = Field(default_factory=dict)
    stopped: str | None = None
    stages: tuple[StageRun, ...] = ()
    links: tuple[LinkRun, ...] = ()
    drives: tuple[DriveRun, ...] = ()
    happenings: tuple[Happening, ...] = ()
    gaps: tuple[str, ...] = ()
    not_shown: tuple[str, ...] = ()
    only: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _part_gaps(cls, kept: Any) -> Any:  # noqa: ANN401 (whatever was kept)
        """Find the gaps of a run that was kept before they were kept apart from what cannot be shown."""
        if not isinstance(kept, dict) or "gaps" in kept:
            return kept
        not_shown = kept.get("not_shown") or ()
        gaps = [words for words in not_shown if " is left out: " in str(words) or "the kernel's log" in str(words)]
        return kept | {"gaps": gaps, "not_shown": [words for words in not_shown if words not in gaps]}

    def link_of(self, drive: DriveRun) -> LinkRun | None:
        """Give a drive's own link."""
        return next((link for link in self.links if link.path == drive.path), None)
