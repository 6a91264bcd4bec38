"""Every feature has stories in which it is seen, absent and unknown; and causes are named for boxes that have them."""

import pytest

from boxes.feature_stories import (
    DRIVE_STORIES,
    LINK_STORIES,
    LOAD_STORIES,
    SHARED_STORIES,
    TIME_STORIES,
    TRIAL_STORIES,
    check_stories,
    passes,
)
from boxes.simulated_cases import DOWN, dropping, features, lone
from boxes.simulated_past import DAY, HOUR, Story, counting_box
from boxes.snapshot_box import Box
from laneproof.diagnosis.causes import diagnose
from laneproof.diagnosis.features import QUESTIONS
from laneproof.diagnosis.weights import DEFAULT

QUIET = (0, 0, 0, 0)


def test_every_feature_has_its_stories_and_is_asked() -> None:
    stories = [LINK_STORIES, LOAD_STORIES, DRIVE_STORIES, SHARED_STORIES, TIME_STORIES, TRIAL_STORIES]
    assert set().union(*stories) == set(QUESTIONS) == {feature.name for feature in DEFAULT.features}


@pytest.mark.parametrize("feature", TRIAL_STORIES)
def test_what_was_tried_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(TRIAL_STORIES, feature)


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
