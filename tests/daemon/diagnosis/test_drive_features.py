"""What a drive says of itself: media errors, power, resets."""

import pytest

from simulated_cases import ABORTED, DOWN, PATH, RESET, Working, features, lone
from simulated_past import DAY, HOUR, Story
from snapshot_box import Box

MEDIUM = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"


def test_only_a_restart_that_was_not_enough_shows_that_power_is_needed() -> None:
    def box(cycles: int) -> Box:
        return Box().with_port(PATH).with_drive(PATH, serial="FN1", health={"power_cycles": cycles})

    def gone() -> Box:
        return Box().with_port(PATH)

    plain = (
        Story()
        .observe(box(20))
        .observe(gone(), after=HOUR, log=(DOWN,))
        .restart()
        .observe(box(20), after=60)
        .observe(box(20), after=60)
    )
    assert features(plain)["power_cycle_needed"] is False
    hard = Story().observe(box(20)).observe(gone(), after=HOUR, log=(DOWN,)).restart().observe(gone(), after=60)
    hard.restart().observe(box(21), after=60).observe(box(21), after=60)
    assert features(hard)["power_cycle_needed"] is True
    unsure = (
        Story()
        .observe(box(20))
        .observe(gone(), after=HOUR, log=(DOWN,))
        .restart()
        .observe(box(21), after=60)
        .observe(box(21), after=60)
    )
    assert features(unsure)["power_cycle_needed"] is None


@pytest.mark.parametrize(("occasions", "seen"), [(0, None), (4, None), (5, True)])
def test_media_errors_again_and_again_are_more_than_media_errors(occasions: int, seen: bool | None) -> None:  # noqa: FBT001 (a table)
    working = Working()
    for number in range(48):
        working.hour(20.0, media_errors=3 + 2 * min(occasions, number // 8))
    assert features(working.story)["media_errors_often"] is seen


def test_commands_that_were_taken_back_over_bad_media_are_neither_a_drop_nor_a_reset() -> None:
    working = Working()
    for _ in range(24 * 10):
        working.hour(20.0)
    working.hour(20.0, drops=True, line=ABORTED)
    working.story.observe(working.box(), after=60.0, log=(MEDIUM,))
    (drop,) = working.story.ledger.episodes.episodes
    assert drop.only_aborted
    assert features(working.story)["drops_or_resets"] is None
    working.hour(20.0, drops=True, line=RESET)
    assert features(working.story)["drops_or_resets"] is True


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
