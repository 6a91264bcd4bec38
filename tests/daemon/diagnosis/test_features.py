"""Every feature seen, looked for and absent, and unknown; and causes named for boxes that have them."""

from collections.abc import Callable

import pytest

from laneproof.diagnosis.causes import diagnose
from laneproof.diagnosis.features import QUESTIONS
from laneproof.diagnosis.weights import DEFAULT, EXPERIMENT
from laneproof.past.notes import ProofNote
from laneproof_collectors.snapshot import AutonomousTransitions
from laneproof_collectors.unread import Unread
from simulated_cases import (
    ABORTED,
    DOWN,
    FAILED,
    PATH,
    RESET,
    Working,
    dropping,
    features,
    lone,
    pair,
    tried,
)
from simulated_past import DAY, HOUR, PATHS, Story, count, counting_box
from snapshot_box import Box

Answers = dict[str, bool | None]
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


def swapped(*, stays: bool) -> Answers:
    """Two drives change positions after an episode of the first, which then comes again: here, or with the drive."""
    story = (
        Story()
        .observe(pair())
        .observe(pair(), after=HOUR, log=(DOWN,))
        .restart()
        .observe(pair("FN2", "FN1"), after=DAY)
    )
    story.observe(pair("FN2", "FN1"), after=DAY, log=(DOWN if stays else OTHER,))
    return features(story, PATH if stays else PATHS[1])


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
    load.slow_days = [SlowDay(hours)]
    load.spells = [object()] if spells else []  # type: ignore[list-item]
    return story


class SlowDay:
    def __init__(self, hours: int) -> None:
        self.hours = [object()] * hours


def proven(feature: str, *, seen: bool, serial: str = "FN1") -> Answers:
    """A drive that drops, and what an acceptance run showed of it."""
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    story.ledger.add_proof(ProofNote(at=story.now, features={PATH: (serial, {feature: seen})}))
    return features(story)


BUSY = Working().days(6, busy=range(2), drops_at=1)
NOON = Working().days(6, busy=range(12), drops_at=15)
REGULAR, RANDOM = (29.1, 29.5, 29.3, 29.4, 29.2, 29.3), (2.0, 30.0, 9.0, 3.0, 50.0, 20.0)

TABLE: dict[str, tuple[Callable[[], Answers] | None, Callable[[], Answers] | None, Callable[[], Answers]]] = {
    "aer_above_siblings": (
        lambda: features(erring(60)),
        lambda: features(erring(60), PATHS[1]),
        lambda: features(passes(lambda _: lone(), 60)),  # nobody counts
    ),
    "link_below_expected": (
        lambda: features(dropping([]), reported={"link-retrained-down": ()}),
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
    "speed_cap_cured": (
        lambda: features(tried("link-cap", "cured")),
        lambda: features(tried("link-cap", "not-cured")),
        lambda: features(tried("link-cap", None)),
    ),
    "drops_after_idle_exit": (lambda: features(NOON), lambda: features(BUSY), lambda: features(dropping([1.0]))),
    "pm_off_cured": (
        lambda: features(tried("idle-states", "cured")),
        lambda: features(tried("idle-states", "better")),
        lambda: features(tried("link-cap", "cured")),
    ),
    "idle_states_on": (
        lambda: features(Story().observe(resting(on=True)).observe(resting(on=True), after=HOUR, log=(DOWN,))),
        lambda: features(Story().observe(resting(on=False))),
        lambda: features(Story().observe(Box())),
    ),
    "drops_under_load": (lambda: features(BUSY), lambda: features(NOON), lambda: features(dropping([1.0]))),
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
    "follows_slot_on_swap": (
        lambda: swapped(stays=True),
        lambda: swapped(stays=False),
        lambda: features(dropping([1.0])),
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
    "power_lost_at_drive": (
        lambda: features(dropping([]), reported={"unsafe-shutdowns-rising": ()}),
        lambda: features(Story().observe(lone()).observe(lone(), after=600, log=(DOWN,)).observe(lone(), after=600)),
        lambda: features(dropping([])),
    ),
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
    **{
        feature: (
            lambda feature=feature: proven(feature, seen=True),
            lambda feature=feature: proven(feature, seen=False),
            lambda feature=feature: proven(feature, seen=True, serial="another"),  # it was shown of another drive
        )
        for feature in EXPERIMENT
    },
}
"""By feature: a story in which it is seen, one in which it is absent, one that leaves it unknown."""


def test_the_table_has_every_feature_and_every_feature_is_asked() -> None:
    assert set(TABLE) == set(QUESTIONS) == {feature.name for feature in DEFAULT.features}


@pytest.mark.parametrize("feature", TABLE)
def test_a_feature_is_seen_absent_or_unknown(feature: str) -> None:
    seen, absent, unknown = TABLE[feature]
    assert seen is not None
    assert seen()[feature] is True
    assert absent is None or absent()[feature] is False
    assert unknown()[feature] is None


def test_a_first_pass_knows_next_to_nothing() -> None:
    known = {name for name, seen in features(dropping([])).items() if seen is not None}
    assert known <= {"idle_states_on", "link_below_expected"}


def test_a_position_that_nobody_knows_is_unknown_throughout() -> None:
    assert set(features(Story().observe(Box()), "0000:00/1f.0").values()) == {None}


def test_what_was_looked_for_only_after_all_episodes_is_unknown() -> None:
    story = Story().observe(counting_box(QUIET), after=HOUR, log=(DOWN,))
    for _ in range(60):
        story.observe(counting_box(QUIET), after=HOUR)
    known = features(story)
    assert known["drops_or_resets"] is True
    assert known["aer_above_siblings"] is known["media_errors_rising"] is known["warning_minutes_rising"] is None
    story.observe(counting_box(QUIET), after=HOUR, log=(DOWN,))
    assert features(story)["aer_above_siblings"] is False


def test_a_bad_path_is_named() -> None:
    story = Story()
    for hour in range(24 * 14):
        bad = max(0, hour - 24 * 7)
        log = (DOWN,) if hour in (24 * 12, 24 * 13 + 5) else ()
        story.observe(counting_box((bad, 0, 0, 0)), after=HOUR, log=log)
    assert diagnose(features(story, reported={"link-slow": ("training",)})).verdict == "signal-path"


def test_a_failing_drive_is_named() -> None:
    assert (
        diagnose(features(passes(lambda day: lone(media_errors=day * day), 20, after=DAY))).verdict == "drive-failing"
    )
