"""Stories of one drive for the tests of the diagnosis: what it did, and the features that a case has then."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from laneproof.diagnosis.case import open_case
from laneproof.diagnosis.features import find_features
from laneproof.past.fix_trials import EPISODES, Trial
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace
from simulated_past import HOUR, PATHS, Story, counting_box
from snapshot_box import Box

PATH = PATHS[0]
DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
FAILED = DOWN.replace("0xffffffff", "0x3")
RESET = "nvme nvme0: I/O 7 QID 3 timeout, reset controller"
ABORTED = "nvme nvme0: I/O 7 QID 3 timeout, aborting"
MB = 1_000_000


def features(
    story: Story, path: str = PATH, reported: Mapping[str, tuple[str, ...]] | None = None
) -> dict[str, bool | None]:
    return find_features(open_case(story.ledger, path, "", reported or {}))


def lone(**health: object) -> Box:
    """Give a box with one drive, whose health log is as given."""
    return Box().with_port(PATH).with_drive(PATH, serial="FN1", health=dict(health))


def pair(here: str = "FN1", there: str = "FN2", **more: object) -> Box:
    """Give a box with a drive in each of two positions."""
    first = Box().with_port(PATH).with_drive(PATH, serial=here, **more)
    return first.with_port(PATHS[1]).with_drive(PATHS[1], serial=there, **more)


def dropping(gaps_hours: Sequence[float], *, lines: Sequence[str] = (DOWN,), box: Box | None = None) -> Story:
    """Four drives (or what is given), the first of which drops after each gap."""
    story = Story().observe(box or counting_box((0, 0, 0, 0)))
    for gap in gaps_hours:
        story.observe(box or counting_box((0, 0, 0, 0)), after=gap * HOUR, log=tuple(lines))
    return story


def tried(what: str, outcome: str | None) -> Story:
    """A drive that drops, and a fix of which it is known how it turned out (None: not yet)."""
    story = dropping([1.0])
    story.ledger.trials.trials.append(
        Trial(
            path=PATH, serial="", what=what, words=what, began_at=story.ledger.now, complaint=EPISODES, events_before=1,
            seconds_before=HOUR, outcome=outcome or "counting", decided_at=story.ledger.now if outcome else None,
        )
    )  # fmt: skip
    return story


class Working:
    """A drive that works now and then: bytes moved so far, and the passes of a story over it."""

    def __init__(self) -> None:
        self.story = Story()
        self.moved = 0

    def box(self, **health: object) -> Box:
        disk = BlockStatistics(
            reads=self.moved // 131072, read_bytes=self.moved, read_milliseconds=0, writes=0, written_bytes=0,
            write_milliseconds=0, busy_milliseconds=0,
        )  # fmt: skip
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, statistics=disk)
        made = lone(**health)
        own, controller = made._controllers[0]
        made._controllers[0] = (own, replace(controller, namespaces=(space,)))
        return made.with_port(PATHS[1]).with_drive(PATHS[1], serial="FN2")

    def hour(self, rate: float = 0.0, *, drops: bool = False, line: str = DOWN, **health: object) -> None:
        """An hour at a load in MB/s, a pass every ten minutes; it may drop half a minute before its end."""
        for number in range(6):
            self.moved += int(rate * MB * 600)
            self.story.observe(self.box(**health), after=600.0, log=(line,) if drops and number == 5 else ())

    def days(self, days: int, *, busy: range, drops_at: int) -> Story:
        """Days at full load in some hours and at rest in the others; from the second on it drops at one hour."""
        for day in range(days):
            for hour in range(24):
                self.hour(900.0 if hour in busy else 0.0, drops=day > 0 and hour == drops_at)
        return self.story
