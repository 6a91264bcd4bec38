"""Updates before the first episode, and clocks."""

import pytest

from boxes.feature_stories import REGULAR, TIME_STORIES, check_stories
from boxes.simulated_cases import DOWN, PATH, dropping, features
from boxes.simulated_past import DAY, HOUR, Story, counting_box
from boxes.snapshot_box import Box
from laneproof.evidence.episode_patterns import Clockwork, clockwork


@pytest.mark.parametrize("feature", TIME_STORIES)
def test_a_feature_of_time_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(TIME_STORIES, feature)


def updated(story: Story, *, gaps: tuple[float, ...], what: str = "firmware", lead: float = 9.0) -> Story:
    """A month of peace, an update, and drops: the first `lead` days after it, the others with these gaps in days."""

    def box(version: str) -> Box:
        made = Box().with_port(PATH).with_drive(PATH, firmware=version if what == "firmware" else "2.1")
        return made.with_firmware(kernel_release=version) if what == "kernel" else made

    for _ in range(30):
        story.observe(box("2.1"), after=DAY)
    story.restart().observe(box("2.2"), after=60)
    for gap in (lead, *gaps):
        story.observe(box("2.2"), after=gap * DAY / 2).observe(box("2.2"), after=gap * DAY / 2, log=(DOWN,))
    return story


@pytest.mark.parametrize(
    ("gaps", "expected"),
    [
        ((), None),  # nobody knows yet whether a slow clock began with it
        ((12.1,), None),
        ((12.1, 12.1), True),  # the first came within a period of the update
        ((12.1, 3.0), False),  # what comes at random need not have waited
        ((1.1, 1.1, 1.1), False),  # a quick clock would have come sooner
    ],
)
def test_a_slow_clock_may_bring_its_first_drop_long_after_the_update(
    gaps: tuple[float, ...],
    expected: bool | None,
) -> None:
    answers = features(updated(Story(), gaps=gaps))
    assert answers["began_after_drive_firmware"] is expected
    assert answers["began_after_update"] is expected


def test_an_update_of_the_kernel_explains_no_more_than_the_week_after_it() -> None:
    assert features(updated(Story(), gaps=(12.1, 12.1), what="kernel"))["began_after_update"] is False
    assert features(updated(Story(), gaps=(12.1, 12.1), what="kernel", lead=5.0))["began_after_update"] is True


def test_an_update_over_a_month_before_the_first_drop_is_not_near_it() -> None:
    assert features(updated(Story(), gaps=(29.0, 29.0), lead=31.0))["began_after_drive_firmware"] is False


@pytest.mark.parametrize(("good_days", "expected"), [(20, None), (28, True), (30, True)])
def test_an_update_brings_no_fault_of_a_link_that_made_errors_for_days_before_it(
    good_days: int,
    expected: bool | None,
) -> None:
    story = Story()
    for day in range(37):
        if day == 30:
            story.restart()
        box = counting_box((40 * max(0, day - good_days), 0, 0, 0))
        story.observe(box.with_firmware(kernel_release="2.1" if day < 30 else "2.2"), after=DAY)
    answers = features(story.observe(box, after=HOUR, log=(DOWN,)), reported={"signal-errors": ()})
    assert (answers["errors_between_drops"], answers["began_after_update"]) == (True, expected)


def test_what_is_more_even_than_chance_is_no_clock_yet() -> None:
    # gaps of 2 to 22 hours: thirty of them vary by .54, which chance makes once in thousands of times
    story = dropping([2.0 + 20.0 * (number * 7 % 10) / 9 for number in range(31)])
    times = [episode.dropped_at for episode in story.ledger.episodes.episodes]
    clock = clockwork(times)
    assert isinstance(clock, Clockwork)
    assert clock.is_periodic
    assert clock.variation == pytest.approx(0.54, abs=0.02)
    assert features(story)["regular_period"] is False


def test_episodes_seen_only_by_rare_passes_have_no_clock() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    for _ in range(6):
        story.observe(counting_box((0, 0, 0, 0)).without(PATH), after=6 * HOUR)
        story.observe(counting_box((0, 0, 0, 0)), after=6 * HOUR)
    assert len(story.ledger.episodes.episodes) == 6
    assert features(story)["regular_period"] is None


@pytest.mark.parametrize(("passes_apart", "regular"), [(2.9, True), (3.0, None)])
def test_a_clock_needs_ten_passes_from_episode_to_episode(passes_apart: float, regular: bool | None) -> None:
    story = dropping([1.0, *REGULAR])  # 29.3 hours apart
    for episode in story.ledger.episodes.episodes:
        episode.uncertain_seconds = passes_apart * HOUR
    assert features(story)["regular_period"] is regular


@pytest.mark.parametrize(
    ("gap", "regular", "expected"),
    [
        (29.3, True, True),  # no schedule has such a period
        (24.0, None, None),  # a nightly job would have
        (12.0, True, None),
        (6.05, True, None),
    ],
)
def test_a_clock_of_its_own(gap: float, regular: bool | None, expected: bool | None) -> None:
    answers = features(dropping([0.99 * gap, 1.01 * gap] * 4))
    assert (answers["regular_period"], answers["period_of_its_own"]) == (regular, expected)


def test_a_clock_that_misses_a_beat_is_still_one() -> None:
    answers = features(dropping([1.0, 30.2, 29.9, 60.3, 30.1, 30.0, 90.2, 29.8, 30.3]))
    assert answers["regular_period"] is answers["period_of_its_own"] is True


@pytest.mark.parametrize(
    "gaps",
    [
        *([24.0 * days + 0.4 for days in row] for row in ((8, 7, 8, 7, 8, 7), (1, 1, 1, 2, 1, 1), (7, 7, 7, 7, 7, 7))),
        [24.0, 27.0, *[24.0] * 17],  # eighteen of twenty at one hour
    ],
)
def test_drops_at_one_hour_of_the_day_are_regular_by_the_days_work_and_say_nothing(gaps: list[float]) -> None:
    answers = features(dropping([1.0, *gaps]))
    assert answers["regular_period"] is answers["period_of_its_own"] is None


def test_a_clock_of_nearly_whole_days_that_wanders_through_the_day_is_one() -> None:
    answers = features(dropping([1.0, *[12.1 * 24] * 7]))
    assert answers["regular_period"] is True
    assert answers["period_of_its_own"] is None  # it is near to twelve days, which a schedule may have
