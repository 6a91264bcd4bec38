"""Features of a link at their limits: bursts, and what a limit explains."""

from collections.abc import Callable

import pytest

from boxes.feature_stories import LINK_STORIES, check_stories
from boxes.simulated_cases import PATH, features
from boxes.simulated_past import HOUR, Story, count, counting_box
from boxes.snapshot_box import Box
from laneproof.diagnosis.causes import diagnose
from laneproof_collectors.snapshot import AutonomousTransitions


@pytest.mark.parametrize("feature", LINK_STORIES)
def test_a_feature_of_the_link_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(LINK_STORIES, feature)


@pytest.mark.parametrize(("lanes", "expected"), [((4, 0, 4, 0, 4), None), ((4, 0, 4, 2, 4), True), ((4, 2, 4), True)])
def test_a_drive_that_is_missing_in_some_boots_has_no_link_that_trained_low(
    lanes: tuple[int, ...],
    expected: bool | None,
) -> None:
    story = Story()
    for reached in lanes:
        box = Box().with_port(PATH, trained=(4, reached)).with_drive(PATH, serial="FN1", trained=(4, reached))
        story.restart().observe(box if reached else box.without(PATH), after=HOUR)
    answers = features(story, reported={"link-degraded-on-some-boots": ()})
    assert answers["link_below_expected"] is expected


def test_one_burst_is_not_more_than_siblings() -> None:
    story = Story()
    for hour in range(60):
        story.observe(counting_box((50 if hour > 40 else 0, 0, 0, 0)), after=HOUR)
    assert features(story)["aer_above_siblings"] is False


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        (lambda hour: hour % 24 in (2, 3), None),
        (lambda hour: hour % 24 in (2, 14), True),  # half of its errors come at another time
        (lambda hour: hour == 26, True),
        (lambda _: False, True),
    ],
)
def test_errors_that_another_link_makes_in_the_same_hours_are_no_sign_of_one_bad_path(
    other: Callable[[int], bool],
    expected: bool | None,
) -> None:
    story, errors = Story(), [0, 0]
    for hour in range(24 * 6):
        errors[0] += 20 * (hour % 24 in (2, 3))
        errors[1] += 20 * other(hour)
        story.observe(counting_box((*errors, 0, 0)), after=HOUR)
    answers = features(story, reported={"signal-errors": ()})
    assert answers["aer_above_siblings"] is answers["errors_between_drops"] is expected
    assert (diagnose(answers).verdict == "signal-path") is (expected is True)


@pytest.mark.parametrize(("resting", "expected"), [(True, None), (False, True)])
def test_repeated_packets_alone_are_late_waking_where_the_link_may_rest(resting: bool, expected: bool | None) -> None:
    states = AutonomousTransitions(enabled=resting, transitions={0: (3, 500)})
    story = Story()
    for hour in range(24 * 8):
        box = Box().with_port(PATH, function={"aer": count({"Timeout": hour})})
        box.with_drive(PATH, function={"aer": count()}, controller={"autonomous_transitions": states})
        story.observe(box, after=HOUR)
    answers = features(story, reported={"signal-errors": ()})
    assert answers["only_replays"] is True
    assert answers["aer_above_siblings"] is expected
    assert answers["drops_or_resets"] is (None if resting else False)
    verdict = diagnose(answers)
    assert (verdict.verdict == "power-management") is resting
    assert not resting or "pcie_aspm.policy=performance" in verdict.next_steps[0].says


@pytest.mark.parametrize(("hours", "expected"), [(3, None), (4, True)])
def test_repeated_packets_count_from_four_occasions_on(hours: int, expected: bool | None) -> None:
    story = Story()
    for hour in range(hours + 1):  # the first pass only begins the count
        box = Box().with_port(PATH, function={"aer": count({"Timeout": 5 * hour})})
        story.observe(box.with_drive(PATH, function={"aer": count()}), after=HOUR)
    assert features(story)["only_replays"] is expected


def test_repeated_packets_say_nothing_where_the_other_end_does_not_count() -> None:
    states = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})
    story = Story()
    for hour in range(24 * 8):
        box = Box().with_port(PATH, function={"aer": count({"Timeout": hour})})
        story.observe(box.with_drive(PATH, controller={"autonomous_transitions": states}), after=HOUR)
    answers = features(story, reported={"signal-errors": ()})
    assert answers["only_replays"] is None
    assert answers["aer_above_siblings"] is None  # no cable is bought for that
