"""What a drive says of itself: media errors, power, resets."""

import pytest

from boxes.feature_stories import DRIVE_STORIES, check_stories, passes
from boxes.simulated_cases import ABORTED, RESET, features, lone
from boxes.simulated_past import DAY, HOUR, Story

MEDIUM = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"


@pytest.mark.parametrize("feature", DRIVE_STORIES)
def test_a_feature_of_the_drive_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(DRIVE_STORIES, feature)


def test_commands_that_were_taken_back_over_bad_media_are_neither_a_drop_nor_a_reset() -> None:
    story = passes(lambda _: lone(), 8, after=DAY)
    assert features(story)["drops_or_resets"] is False
    story.observe(lone(), after=HOUR, log=(ABORTED, MEDIUM))
    (episode,) = story.ledger.episodes.episodes
    assert episode.only_aborted
    assert features(story)["drops_or_resets"] is None
    assert features(story.observe(lone(), after=HOUR, log=(RESET,)))["drops_or_resets"] is True


def test_spare_that_is_low_is_being_used_up_and_is_no_media_error() -> None:
    story = Story().observe(lone(available_spare_percent=12))
    for _ in range(3):
        story.observe(lone(available_spare_percent=12), after=DAY)
    answers = features(story, reported={"spare-low": ()})
    assert answers["spare_falling"] is True
    assert answers["media_errors_rising"] is False


def test_a_drive_that_lost_its_power_while_the_machine_ran_on_did_drop() -> None:
    story = Story().observe(lone(unsafe_shutdowns=7)).observe(lone(unsafe_shutdowns=8), after=HOUR)
    assert story.ledger.episodes.episodes == []
    assert features(story)["drops_or_resets"] is True
