"""How a simulated box is looked at: how often, what may be read, and in which kernel's words.

No two recordings are made alike: one machine gives config space and another only sysfs attributes, one is read each
minute and another four times a day, one drive has its own error counters and another has none. `View` holds these
choices, `View.hides` applies them to what a box shows.
"""

import random
from dataclasses import dataclass, field
from enum import StrEnum

from simulation.kernel_words import Words


class Counting(StrEnum):
    """Which ends of the links count errors."""

    BOTH = "both"
    PORTS = "ports"
    DRIVES = "drives"
    NONE = "none"  # the firmware kept error reporting for itself


class HealthView(StrEnum):
    """What the reader gets of log 02h."""

    LOG = "log"
    DENIED = "denied"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What a recording holds of a box.

    Attributes:
        spacing_seconds: Time between frames when nothing happens.
        around_events: Whether there is a frame shortly before and shortly after each event.
        before_seconds: How long before.
        registers: Whether config space was recorded; else only link attributes.
        block_statistics: Whether load can be seen.
        counting: Which ends count correctable errors.
        health: What the reader gets of the drives' health.
        power_files: Whether the kernel's account of run-time power is there.
        sleeping: Whether idle drives are suspended, so that a reading leaves them alone.
        kernel_log: Whether kernel messages were recorded.
        error_lines: Whether those of error reports are among them (the rate of lines is limited).
        device_events: Whether device events were recorded.
        has_states: Whether what is gone is gone from the recorded state too; else only log and events tell of a drop.
        up_told: Whether frames give the time since boot.
        missing_share: Share of frames that were not taken.
        words: The kernel's wording at the start.
    """

    spacing_seconds: float = 3600.0
    around_events: bool = True
    before_seconds: float = 60.0
    registers: bool = True
    block_statistics: bool = True
    counting: Counting = Counting.BOTH
    health: HealthView = HealthView.LOG
    power_files: bool = True
    sleeping: bool = False
    kernel_log: bool = True
    error_lines: bool = True
    device_events: bool = True
    has_states: bool = True
    up_told: bool = True
    missing_share: float = 0.0
    words: Words = field(default_factory=Words)

    def hides(self, path: str) -> bool:
        """Whether a path of the box is not in the recording."""
        name = path.rpartition("/")[2]
        return (
            (name == "config" and not self.registers)
            or (name == "stat" and not self.block_statistics)
            or (not self.power_files and (name == "power_state" or "/power/" in path))
        )

    @property
    def thermometers(self) -> bool:
        """Whether the kernel's thermometers of the drives were read: a reader turns to them where the log is shut."""
        return self.health is not HealthView.LOG

    @property
    def is_rich(self) -> bool:
        """Whether what a sound judgement needs is there."""
        return (
            self.around_events
            and self.block_statistics
            and self.kernel_log
            and self.has_states
            and not self.sleeping
            and self.counting is Counting.BOTH
            and self.health is HealthView.LOG
        )

    def describe(self) -> str:
        """Say what is not as usual, for a person who looks into one box."""
        marks = [f"every {self.spacing_seconds:g} s", f"kernel {'.'.join(map(str, self.words.version))}"]
        marks += [
            words
            for words, said in (
                ("no frames around events", not self.around_events),
                ("no registers", not self.registers),
                ("no load", not self.block_statistics),
                (f"errors counted: {self.counting}", self.counting is not Counting.BOTH),
                (f"health {self.health}", self.health is not HealthView.LOG),
                ("no power files", not self.power_files),
                ("idle drives are suspended", self.sleeping),
                ("no kernel log", not self.kernel_log),
                ("no error lines", not self.error_lines),
                ("no device events", not self.device_events),
                ("drops in the log alone", not self.has_states),
                ("no uptime", not self.up_told),
                ("names by address", self.words.by_address),
                ("no controller state", not self.words.logs_status),
            )
            if said
        ]
        return ", ".join(marks)


def draw_view(draw: random.Random, *, kernels: tuple[tuple[int, int], ...], spacings: tuple[float, ...]) -> View:
    """Draw a view: most give all that a box shows, some lack one thing, a few lack several."""
    poor = draw.random() < 0.5

    def lacks(share: float) -> bool:
        return poor and draw.random() < share

    counting = draw.choice([Counting.PORTS, Counting.DRIVES, Counting.NONE]) if lacks(0.3) else Counting.BOTH
    health = draw.choice([HealthView.DENIED, HealthView.ABSENT]) if lacks(0.1) else HealthView.LOG
    kernel_log = not lacks(0.15)
    power_files = not lacks(0.2)
    return View(
        spacing_seconds=draw.choice(spacings),
        around_events=not lacks(0.2),
        before_seconds=draw.choice((30.0, 60.0, 120.0)),
        registers=not lacks(0.3),
        block_statistics=not lacks(0.25),
        counting=counting,
        health=health,
        power_files=power_files,
        sleeping=power_files and lacks(0.1),
        kernel_log=kernel_log,
        error_lines=counting is not Counting.NONE and not lacks(0.2),
        device_events=not kernel_log or not lacks(0.3),
        has_states=not kernel_log or not lacks(0.15),
        up_told=not lacks(0.15),
        missing_share=draw.choice((0.0, 0.0, 0.02, 0.1)),
        words=Words(version=draw.choice(kernels), by_address=lacks(0.1), logs_status=not lacks(0.2)),
    )
