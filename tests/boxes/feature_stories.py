"""For each feature of the diagnosis three stories: it is seen, it is absent, it is unknown."""

from collections.abc import Callable, Mapping

from boxes.simulated_cases import ABORTED, DOWN, FAILED, PATH, RESET, after_loads, dropping, features, lone, pair, tried
from boxes.simulated_past import DAY, HOUR, PATHS, Story, count, counting_box
from boxes.snapshot_box import Box
from laneproof.diagnosis.weights import EXPERIMENT
from laneproof.past.drive_load import IDLE, LOADED, SlowDays
from laneproof.past.notes import ProofNote
from laneproof_collectors.snapshot import AutonomousTransitions
from laneproof_collectors.unread import Unread

Answers = dict[str, bool | None]
Stories = Mapping[str, tuple[Callable[[], Answers], Callable[[], Answers] | None, Callable[[], Answers]]]
QUIET = (0, 0, 0, 0)
OTHER = DOWN.replace("nvme0", "nvme1")


def passes(boxes: Callable[[int], Box], number: int, *, after: float = HOUR) -> Story:
    """A story of passes over a box that is made anew for each."""
    story = Story()
    for turn in range(number):
        story.observe(boxes(turn), after=after)
    return story


def erring(hours: int) -> Story:
    return passes(lambda hour: counting_box((hour, 0, 0, 0)), hours)


def replaying(damaged: int) -> Story:
    """A link that repeats a packet each hour, and receives so many damaged ones."""

    def box(hour: int) -> Box:
        port = count({"Timeout": hour, "RxErr": hour * damaged})
        return Box().with_port(PATH, function={"aer": port}).with_drive(PATH, function={"aer": count()})

    return passes(box, 20)


def resting(*, on: bool) -> Box:
    states = AutonomousTransitions(enabled=on, transitions={0: (3, 500)})
    return Box().with_port(PATH).with_drive(PATH, controller={"autonomous_transitions": states})


def mute() -> Box:
    return Box().with_port(PATH).with_drive(PATH, health=Unread("log 02h", "denied"))


def hot_when_dropped(celsius: float, *, after: float = 600.0) -> Story:
    box = lone(composite_temperature_celsius=celsius)
    return Story().observe(box).observe(box, after=after, log=(DOWN,))


def came_back(*, restarts: bool, needed_power: bool) -> Story:
    """A drive that is gone after an episode, until a restart or only until its power was taken away."""
    gone = Box().with_port(PATH)
    story = Story().observe(lone(power_cycles=20)).observe(gone, after=HOUR, log=(DOWN,)).restart()
    if restarts:
        story.observe(gone, after=60).restart()
    back = lone(power_cycles=21 if needed_power else 20)
    return story.observe(back, after=60).observe(back, after=60)


def swapped(*, stays: bool | None) -> Answers:
    """Two drives change positions after an episode of the first; it stays there, goes with the drive, or is over."""
    story = (
        Story()
        .observe(pair())
        .observe(pair(), after=HOUR, log=(DOWN,))
        .restart()
        .observe(pair("FN2", "FN1"), after=DAY)
    )
    if stays is not None:
        story.observe(pair("FN2", "FN1"), after=DAY, log=(DOWN if stays else OTHER,))
    return features(story, PATHS[1] if stays is False else PATH)


def updated(*, kernel: str = "", firmware: str = "") -> Story:
    """Ten quiet days, a restart that may bring something newer, and an episode the day after."""

    def box(kernel: str, firmware: str) -> Box:
        made = Box().with_port(PATH).with_drive(PATH, firmware=firmware or "2.1")
        return made.with_firmware(kernel_release=kernel or "6.1")

    story = passes(lambda _: box("", ""), 10, after=DAY).restart().observe(box(kernel, firmware), after=60)
    return story.observe(box(kernel, firmware), after=DAY, log=(DOWN,))


def models(*drives: tuple[str, str], lines: tuple[str, ...]) -> Story:
    """Drives of these serial numbers and models, which drop hours apart."""

    def box() -> Box:
        made = Box()
        for path, (serial, model) in zip(PATHS, drives, strict=False):
            made = made.with_port(path).with_drive(path, serial=serial, model=model)
        return made

    story = Story().observe(box())
    for line in lines:
        story.observe(box(), after=5 * HOUR, log=(line,))
    return story


def slow(*, spells: bool, hours: int) -> Story:
    story = Story().observe(lone())
    load = story.ledger.drives.records["FN1"].load
    load.slow_days = [SlowDays(day=0, hours=[*range(hours)])]
    load.spells = [(0.0, HOUR, 2.0)] if spells else []
    return story


def proven(feature: str, *, seen: bool, serial: str = "FN1") -> Answers:
    """A drive that drops, and what an acceptance run showed of it."""
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    story.ledger.add_proof(ProofNote(at=story.now, features={PATH: (serial, {feature: seen})}))
    return features(story)


REGULAR, RANDOM = (29.1, 29.5, 29.3, 29.4, 29.2, 29.3), (2.0, 30.0, 9.0, 3.0, 50.0, 20.0)

LINK_STORIES: Stories = {
    "aer_above_siblings": (
        lambda: features(erring(60)),
        lambda: features(erring(60), PATHS[1]),
        lambda: features(passes(lambda _: lone(), 60)),  # nobody counts
    ),
    "link_below_expected": (
        lambda: features(dropping([]), reported={"link-slow": ("training",)}),
        lambda: features(dropping([])),
        lambda: features(dropping([]), reported={"link-slow": ("target-speed",)}),  # a limit explains it
    ),
    "errors_between_drops": (
        lambda: features(erring(24 * 5)),
        lambda: features(erring(60), PATHS[1]),
        lambda: features(erring(40)),  # errors of three days at the most
    ),
    "only_replays": (
        lambda: features(replaying(0)),
        lambda: features(replaying(1)),
        lambda: features(dropping([])),
    ),
}
LOAD_STORIES: Stories = {
    "drops_after_idle_exit": (
        lambda: features(after_loads([IDLE] * 5)),
        lambda: features(after_loads([LOADED] * 5)),
        lambda: features(dropping([1.0])),
    ),
    "idle_states_on": (
        lambda: features(Story().observe(resting(on=True)).observe(resting(on=True), after=HOUR, log=(DOWN,))),
        lambda: features(Story().observe(resting(on=False))),
        lambda: features(Story().observe(Box())),
    ),
    "drops_under_load": (
        lambda: features(after_loads([LOADED] * 5)),
        lambda: features(after_loads([IDLE] * 5)),
        lambda: features(dropping([1.0])),
    ),
    "hot_before_drop": (
        lambda: features(hot_when_dropped(79.0)),
        lambda: features(hot_when_dropped(45.0)),
        lambda: features(hot_when_dropped(79.0, after=HOUR)),  # as it was an hour before says nothing
    ),
    "warning_minutes_rising": (
        lambda: features(passes(lambda day: lone(warning_temperature_minutes=30 * day), 5, after=DAY)),
        lambda: features(passes(lambda _: lone(), 5, after=DAY)),
        lambda: features(passes(lambda _: mute(), 5, after=DAY)),
    ),
    "slow_against_siblings": (
        lambda: features(slow(spells=False, hours=0), reported={"drive-fail-slow": ()}),
        lambda: features(slow(spells=False, hours=24)),
        lambda: features(slow(spells=False, hours=23)),
    ),
}
DRIVE_STORIES: Stories = {
    "media_errors_rising": (
        lambda: features(passes(lambda day: lone(media_errors=day), 3, after=DAY)),
        lambda: features(passes(lambda _: lone(), 3, after=DAY)),
        lambda: features(passes(lambda _: mute(), 3, after=DAY)),
    ),
    "media_errors_often": (
        lambda: features(passes(lambda day: lone(media_errors=day), 6, after=DAY)),
        None,  # a few may become many
        lambda: features(passes(lambda day: lone(media_errors=day), 5, after=DAY)),
    ),
    "spare_falling": (
        lambda: features(passes(lambda day: lone(available_spare_percent=100 - day), 3, after=DAY)),
        lambda: features(passes(lambda _: lone(available_spare_percent=100), 9, after=DAY)),
        lambda: features(passes(lambda day: lone(available_spare_percent=100 - day), 2, after=DAY)),
    ),
    "still_on_the_bus": (
        lambda: features(dropping([1.0], lines=(FAILED,))),
        lambda: features(dropping([1.0])),
        lambda: features(dropping([1.0], lines=(RESET,))),
    ),
    "power_lost_at_drive": (
        lambda: features(dropping([]), reported={"unsafe-shutdowns-rising": ()}),
        lambda: features(Story().observe(lone()).observe(lone(), after=600, log=(DOWN,)).observe(lone(), after=600)),
        lambda: features(dropping([])),
    ),
    "power_cycle_needed": (
        lambda: features(came_back(restarts=True, needed_power=True)),
        lambda: features(came_back(restarts=False, needed_power=False)),
        lambda: features(came_back(restarts=False, needed_power=True)),  # no plain restart was tried
    ),
    "drops_or_resets": (
        lambda: features(dropping([1.0])),
        lambda: features(passes(lambda _: counting_box(QUIET), 8, after=DAY)),
        lambda: features(dropping([1.0], lines=(ABORTED,))),
    ),
}
SHARED_STORIES: Stories = {
    "follows_slot_on_swap": (
        lambda: swapped(stays=True),
        lambda: swapped(stays=False),
        lambda: swapped(stays=None),
    ),
    "several_drives_together": (
        lambda: features(dropping([24.0] * 3, lines=(DOWN, OTHER))),
        lambda: features(dropping([1.0])),
        lambda: features(dropping([1.0], box=lone())),  # a lone drive has no company
    ),
    "same_model_affected": (
        lambda: features(models(("A", "one"), ("B", "one"), ("C", "two"), lines=(DOWN, OTHER))),
        lambda: features(models(("A", "one"), ("B", "one"), ("C", "two"), lines=(DOWN,))),
        lambda: features(models(("A", "one"), ("B", "two"), lines=(DOWN,))),  # none of its model
    ),
}
TIME_STORIES: Stories = {
    "began_after_update": (
        lambda: features(updated(kernel="6.8")),
        lambda: features(updated()),
        lambda: features(dropping([1.0])),  # watched for an hour
    ),
    "began_after_drive_firmware": (
        lambda: features(updated(firmware="2.2")),
        lambda: features(updated(kernel="6.8")),
        lambda: features(dropping([1.0])),
    ),
    "regular_period": (
        lambda: features(dropping([1.0, *REGULAR])),
        lambda: features(dropping([1.0, *RANDOM])),
        lambda: features(dropping([1.0, 12.0, 12.0])),  # too few
    ),
    "period_of_its_own": (
        lambda: features(dropping([1.0, *REGULAR])),
        lambda: features(dropping([1.0, *RANDOM])),
        lambda: features(dropping([1.0, *(12.0 + 0.1 * (turn % 2) for turn in range(6))])),  # a schedule may have it
    ),
}
TRIAL_STORIES: Stories = {
    "speed_cap_cured": (
        lambda: features(tried("link-cap", "cured")),
        lambda: features(tried("link-cap", "not-cured")),
        lambda: features(tried("link-cap", None)),
    ),
    "pm_off_cured": (
        lambda: features(tried("idle-states", "cured")),
        lambda: features(tried("idle-states", "better")),
        lambda: features(tried("link-cap", "cured")),
    ),
    **{
        feature: (
            lambda feature=feature: proven(feature, seen=True),
            lambda feature=feature: proven(feature, seen=False),
            lambda feature=feature: proven(feature, seen=True, serial="another"),  # it was shown of another drive
        )
        for feature in EXPERIMENT
    },
}


def check_stories(stories: Stories, feature: str) -> None:
    """Hold that a feature is seen, absent and unknown in its stories."""
    seen, absent, unknown = stories[feature]
    assert seen()[feature] is True
    assert absent is None or absent()[feature] is False
    assert unknown()[feature] is None
