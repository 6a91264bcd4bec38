"""Simulated pasts: a box that is read many times, with its own time, boots and log."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from boxes.snapshot_box import A_MORNING, Box
from laneproof.declaration.build import Build
from laneproof.past.boots import Boot, BootBook, LinkLimits
from laneproof.past.box_record import BoxRecord, CounterGrowth, key_of
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.rules.rule import Pass
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.kernel_log.classification import classify
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.snapshot import (
    AerCounters,
    AutonomousTransitions,
    BlockStatistics,
    NvmeNamespace,
    PciFunction,
    Setting,
    Snapshot,
)
from laneproof_collectors.unread import Unread

DAY, HOUR = 86400.0, 3600.0
PATHS = ("0000:00/01.1", "0000:00/01.2", "0000:00/01.3", "0000:00/01.4")
_NAMES = ("RxErr", "BadTLP", "BadDLLP", "Rollover", "Timeout", "NonFatalErr", "CorrIntErr", "HeaderOF")


@dataclass(slots=True)
class Story:
    """A box over time; each pass is added to its ledger. `slept` is how long the machine slept in this boot."""

    ledger: Ledger = field(default_factory=Ledger)
    now: float = A_MORNING
    boot: int = 1
    booted_at: float = A_MORNING - 10 * 60.0
    last: Snapshot | None = None
    slept: float = 0.0

    def observe(
        self, box: Box, *, after: float = 0.0, log: Sequence[str] = (), devices: Sequence[DeviceEvent] = ()
    ) -> "Story":
        """Read the box again, so many seconds after the pass before; `log` is what the kernel said just before it."""
        self.now += after
        box.with_firmware(boot_id=f"0b5e55ed-0000-4000-8000-{self.boot:012d}")
        up = self.now - self.booted_at
        self.last = replace(box.snapshot(taken_at=self.now), up_seconds=up, monotonic_seconds=up - self.slept)
        known = max(0.0, up - self.slept - min(30.0, after / 2))
        events = [event for message in log if (event := say(message, up_seconds=known)) is not None]
        self.ledger.update(self.last, events, devices)
        return self

    def restart(self, *, after: float = 60.0) -> "Story":
        """Start the machine again."""
        self.now += after
        self.boot, self.booted_at, self.slept = self.boot + 1, self.now - 50.0, 0.0
        return self

    def sleep(self, seconds: float) -> "Story":
        """Suspend the machine: CLOCK_MONOTONIC stops, CLOCK_BOOTTIME does not."""
        self.now += seconds
        self.slept += seconds
        return self

    def last_pass(self, build: Build | None = None) -> Pass:
        """Give the last look as rules see it."""
        assert self.last is not None, "a story begins with a look"
        return Pass.of(build, self.last, self.past)

    @property
    def past(self) -> Past:
        """What a rule may know after the last look."""
        return Past(ledger=self.ledger)


def say(message: str, *, up_seconds: float) -> TimedKernelEvent | None:
    """Make the event of a kernel message; None where it is harmless."""
    event = classify(message)
    return None if event is None else TimedKernelEvent(event=event, up_seconds=up_seconds, sequence=None, priority=4)


def count(errors: Mapping[str, int] | int = 0) -> AerCounters:
    """Make the counters of one end: so many receiver errors, or each by its name."""
    known = {"RxErr": errors} if isinstance(errors, int) else errors
    zero = {"DLP": 0, "SDES": 0, "TLP": 0}
    return AerCounters(correctable={name: known.get(name, 0) for name in _NAMES}, nonfatal=dict(zero), fatal=dict(zero))


def counting_box(errors: Sequence[int]) -> Box:
    """Make four drives in a split slot; the drives' ends have counted so many receiver errors."""
    box = Box()
    for path, number in zip(PATHS, errors, strict=True):
        box.with_port(path, function={"aer": count()}).with_drive(path, function={"aer": count(number)})
    return box


def quiet_snapshot() -> Snapshot:
    """Give the facts of four sound drives."""
    return counting_box((0, 0, 0, 0)).snapshot()


def link_errors_past(*, before: float, now: float, burst: int = 0) -> Past:
    """Make two weeks in which each link counts `before` errors a day, then two days in which the first counts `now`."""
    story = Story()
    for number in range(16 * 4):
        days = number / 4
        usual = int(before * min(days, 14.0))
        first = usual + int(now * max(0.0, days - 14.0)) + (burst if days >= 15 else 0)
        story.observe(counting_box((first, usual, usual, usual)), after=6 * HOUR)
    return story.past


_DOWN = "controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


def dropping_past(*, days: Sequence[int], line: str = _DOWN, asked: bool = False) -> Past:
    """Make a month in which the first drive drops on some days, or, where `asked`, is taken out in good order."""
    story = Story()
    for day in range(31):
        box = counting_box((0, 0, 0, 0))
        if day in days and asked:
            name = "0000:01:00.0"
            gone = DeviceEvent(action=Action.REMOVE, subsystem="pci", devpath="/devices/x", name=name, address=name)
            story.observe(box.without(PATHS[0]), after=DAY / 2, devices=(gone,))
            story.observe(counting_box((0, 0, 0, 0)), after=DAY / 2)
        else:
            story.observe(box, after=DAY, log=(f"nvme nvme0: {line}",) if day in days else ())
    return story.past


def health_past(days: Sequence[Mapping[str, object]], *, passes_a_day: int = 4) -> Past:
    """Make days, in each of which fields of the first drive's health log differ as given from a sound one's."""
    story = Story()
    for day in days:
        for _ in range(passes_a_day):
            box = Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="FN0000", health=dict(day))
            box.with_port(PATHS[1]).with_drive(PATHS[1], serial="FN0001", health={})
            story.observe(box, after=DAY / passes_a_day)
    return story.past


def training_past(generations: Sequence[int], *, restarts: bool = True) -> Past:
    """Make passes of a drive whose link trained at these generations, one a boot, or all in the same boot."""
    story = Story()
    for number, generation in enumerate(generations):
        if number and restarts:
            story.restart(after=DAY)
        box = Box().with_port(PATHS[0], trained=(generation, 4)).with_drive(PATHS[0], trained=(generation, 4))
        story.observe(box, after=HOUR)
    return story.past


def busy_box(
    operations: int,
    took: Sequence[float],
    health: dict[str, int] | Unread | None = None,
    transitions: Sequence[AutonomousTransitions] = (),
) -> Box:
    """Make drives that have read 128 KiB so often, each in so many milliseconds; `health` sets fields of their logs.

    Of the first drives `transitions` says which idle states they enter by themselves.
    """
    box = Box()
    for index, (path, milliseconds) in enumerate(zip(PATHS, took, strict=False)):
        disk = BlockStatistics(
            reads=operations, read_bytes=operations * 131_072, read_milliseconds=round(milliseconds),
            writes=0, written_bytes=0, write_milliseconds=0, busy_milliseconds=0,
        )  # fmt: skip
        namespace = NvmeNamespace(name=f"nvme{index}n1", number=1, size_bytes=1 << 42, statistics=disk)
        facts = {"namespaces": (namespace,)} | (
            {"autonomous_transitions": transitions[index]} if index < len(transitions) else {}
        )
        box.with_port(path).with_drive(path, health=health, controller=facts)
    return box


def still_past() -> Past:
    """Make four days in which a drive reads, and its health log counts nothing of it."""
    story = Story()
    for day in range(5):
        story.observe(busy_box(76_300 * day, [0.0]), after=DAY)
    return story.past


def slow_past(*, ratio: float) -> Past:
    """Make two days in which four drives carry the same load, the first `ratio` times as slowly as the others."""
    story = Story()
    for number in range(2 * 24 * 4):
        usual = 9_000 * number * 0.2
        story.observe(busy_box(9_000 * number, (usual * ratio, usual, usual, usual)), after=HOUR / 4)
    return story.past


def mask(function: PciFunction) -> PciFunction:
    """Let one end of a link keep its receiver errors to itself."""
    return replace(function, correctable_mask=0xE1FF)


def masked_box() -> Box:
    """Make four drives; both ends of the first link mask their receiver errors."""
    box = counting_box((0, 0, 0, 0))
    return box.edit(PATHS[0], mask).edit(f"{PATHS[0]}/00.0", mask)


ASKED_OFF = Setting(value="off", origin="command-line")


def withheld_snapshot(
    owner: Setting | None = ASKED_OFF,
    *words: str,
) -> Snapshot:
    """Give the facts of a drive whose ends could report errors, on a kernel that was asked not to handle them."""
    box = Box().with_power(aer_owner=owner, command_line=words or ("pci=noaer",))
    facts = {"correctable_mask": 0}
    return box.with_port(PATHS[0], function=facts).with_drive(PATHS[0], function=facts).snapshot()


def hiding_past() -> Past:
    """Make two days; on the second one both ends of the first link mask their receiver errors."""
    return Story().observe(counting_box((0, 0, 0, 0))).observe(masked_box(), after=DAY).past


def renamed_past() -> Past:
    """Make two days; on the second one the first drive reports another capacity under the same serial number."""
    story = Story()
    story.observe(Box().with_port(PATHS[0]).with_drive(PATHS[0], capacity="2 TB"))
    return story.observe(Box().with_port(PATHS[0]).with_drive(PATHS[0]), after=DAY).past


def grown_past(*counter: str, by: int) -> Past:
    """Make a month in which a counter (``drive``, ``GSsda``, ``interface_errors``) rose in the last hour only."""
    growth = CounterGrowth(since=A_MORNING - 30 * DAY, last=by, boot_id="", hours=((A_MORNING - HOUR, by),))
    return Past(box=BoxRecord(growth={key_of(*counter): growth}))


def moving(first: int, last: int, days: int, name: str) -> list[dict[str, object]]:
    """Make days on which a field of the health log goes evenly from one value to another."""
    return [{name: round(first + (last - first) * day / days)} for day in range(days + 1)]


def power_cut_past(drives: Sequence[int]) -> Past:
    """Make two boots; before the second one these of four drives lost their power while they worked."""
    story = Story()
    for boot in range(2):
        box = Box()
        for number, path in enumerate(PATHS):
            counted = 3 + (boot if number in drives else 0)
            box.with_port(path).with_drive(path, serial=f"FN000{number}", health={"unsafe_shutdowns": counted})
        if boot:
            story.restart(after=DAY)
        story.observe(box, after=HOUR).observe(box, after=HOUR)
    return story.past


def past_of_boots(boots: Iterable[Boot], earlier_limits: Mapping[str, LinkLimits]) -> Past:
    """Give a past of which only the boots are known, and what ports could do with the board's firmware before."""
    return Past(ledger=Ledger(boots=BootBook(boots=[*boots], earlier_limits=dict(earlier_limits))))
