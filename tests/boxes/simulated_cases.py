"""Stories of one drive for the tests of the diagnosis: what it did, and the features that a case has then."""

from collections.abc import Mapping, Sequence
from typing import Any

from boxes.simulated_past import DAY, HOUR, PATHS, Story, counting_box
from boxes.snapshot_box import Box
from laneproof.diagnosis.case import open_case
from laneproof.diagnosis.features import find_features
from laneproof.past.drive_load import IDLE, LOADED, WORKING
from laneproof.past.episodes import Before
from laneproof.past.fix_trials import EPISODES, Trial

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


def lone(**health: Any) -> Box:
    """Give a box with one drive, whose health log is as given."""
    return Box().with_port(PATH).with_drive(PATH, serial="FN1", health=dict(health))


def pair(here: str = "FN1", there: str = "FN2", **more: Any) -> Box:
    """Give a box with a drive in each of two positions."""
    first = Box().with_port(PATH).with_drive(PATH, serial=here, **more)
    return first.with_port(PATHS[1]).with_drive(PATHS[1], serial=there, **more)


def dropping(gaps_hours: Sequence[float], *, lines: Sequence[str] = (DOWN,), box: Box | None = None) -> Story:
    """Four drives (or what is given), the first of which drops after each gap."""
    story = Story().observe(box or counting_box((0, 0, 0, 0)))
    for gap in gaps_hours:
        story.observe(box or counting_box((0, 0, 0, 0)), after=gap * HOUR, log=tuple(lines))
    return story


def after_loads(
    loads: Sequence[str | tuple[str, str, float, float]],
    *,
    shares: tuple[float, float, float] = (0.4, 0.2, 0.4),
    idle_states: bool = True,
) -> Story:
    """Give a drive that drops after these loads, with the shares of time in which it was idle, working and loaded.

    Each load is a state, or a state, that of the window in which it dropped, and how long the window before was and how
    long before the episode it ended.
    """
    story = dropping([2.0] * len(loads))
    spent = {state: 100 * DAY * share for state, share in zip((IDLE, WORKING, LOADED), shares, strict=True)}
    for episode, load in zip(story.ledger.episodes.episodes, loads, strict=True):
        before, during, window, age = (load, load, 600.0, 70.0) if isinstance(load, str) else load
        episode.before = Before(
            load=before, load_during=during, window_seconds=window, load_age_seconds=age, state_seconds=spent,
            idle_states=idle_states,
        )  # fmt: skip
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
