"""What held before an episode, whether the drive came back, and what its own counts say of its power."""

from typing import Any

import pytest

from boxes.losing_box import (
    DOWN,
    GIVEN_UP,
    LOG_DENIED,
    PATH,
    RESET,
    episodes,
    four,
    gone,
    observe_without_words,
    removal,
    silent,
)
from boxes.simulated_past import HOUR, PATHS, Story
from boxes.snapshot_box import Box, make_health
from laneproof_collectors.unread import Unread

PULLED = tuple(f"pcieport 0000:00:01.1: pciehp: Slot(3): {words}" for words in ("Link Down", "Card not present"))


def test_the_way_back_is_noted() -> None:
    story = Story().observe(four()).observe(silent(), after=HOUR, log=(DOWN,))
    (episode,) = episodes(story)
    assert episode.returned_at is None
    story.restart().observe(four(), after=HOUR)
    assert episode.returned_at == story.now
    assert (episode.boot, episode.returned_boot) == (1, 2)


def test_a_drive_that_goes_again_within_the_hour_is_not_back() -> None:
    story = Story().observe(four()).observe(gone(), after=HOUR, log=(GIVEN_UP,), devices=(removal(),))
    story.observe(four(), after=120.0)
    (episode,) = episodes(story)
    assert episode.returned_at == story.now
    story.observe(gone(), after=120.0, log=(GIVEN_UP,), devices=(removal(),))
    assert episodes(story) == [episode]
    assert episode.returned_at is None
    story.observe(four(), after=120.0)
    assert episode.returned_at == story.now


def test_a_drive_that_the_reading_still_showed_when_the_kernel_reported_is_not_back() -> None:
    story = Story().observe(four()).observe(four(), after=HOUR, log=(GIVEN_UP,), devices=(removal(),))
    story.observe(gone(), after=1.0)
    (episode,) = episodes(story)
    assert episode.returned_at is None
    story.observe(four(), after=60.0).observe(gone(), after=3 * HOUR)
    assert episode.returned_at is not None  # what takes it away hours later is another matter


def test_a_drive_that_comes_back_in_another_position_is_back() -> None:
    story = Story().observe(Box().with_port(PATH).with_drive(PATH, serial="FN1").with_port(PATHS[1]))
    story.observe(Box().with_port(PATH).with_port(PATHS[1]), after=HOUR, log=(GIVEN_UP,))
    story.restart().observe(Box().with_port(PATH).with_port(PATHS[1]).with_drive(PATHS[1], serial="FN1"), after=HOUR)
    (episode,) = episodes(story)
    assert episode.returned_at == story.now


def test_a_drive_whose_serial_number_cannot_be_read_is_back_until_it_proves_to_be_another() -> None:
    empty, mute = Box().with_port(PATH), Unread("serial", "no answer within 5 s")
    story = Story().observe(Box().with_port(PATH).with_drive(PATH, serial="FN1"))
    story.observe(empty, after=HOUR, log=(GIVEN_UP,), devices=(removal(),))
    story.observe(Box().with_port(PATH).with_drive(PATH, controller={"serial": mute}), after=60.0)
    (episode,) = episodes(story)
    assert episode.returned_at == story.now
    story.observe(Box().with_port(PATH).with_drive(PATH, serial="FN2"), after=60.0)
    assert episode.returned_at is None


# Documentation/ABI/testing/sysfs-devices-removable: who unplugs a case asks nobody, and its drive loses its power
@pytest.mark.parametrize(("words", "failures"), [(PULLED, 0), ((*PULLED, DOWN), 1)])
def test_a_case_that_is_unplugged_without_a_word_of_the_driver_is_no_failure(
    words: tuple[str, ...], failures: int
) -> None:
    box = Box().with_port(PATH).with_drive(PATH, serial="FN1", function={"removable": True})
    story = Story().observe(box).observe(Box().with_port(PATH), after=HOUR, log=words, devices=(removal(),))
    assert sum(episode.is_failure for episode in story.ledger.episodes.episodes) == failures


def test_a_case_of_which_only_a_device_event_says_that_it_left_was_unplugged() -> None:
    box = Box().with_port(PATH).with_drive(PATH, serial="FN1", function={"removable": True})
    story = Story().observe(box, log=(RESET,))
    observe_without_words(story, Box().with_port(PATH), LOG_DENIED, after=3 * HOUR, devices=(removal(),))
    assert [episode.pulled for episode in episodes(story)] == [False, True]


@pytest.mark.parametrize(("removable", "failures"), [(True, 0), (False, 1)])
def test_a_case_that_came_and_went_before_it_was_ever_seen_is_no_failure(*, removable: bool, failures: int) -> None:
    box = Box().with_port(PATH).with_drive(PATH, serial="FN1", function={"removable": removable})
    story = Story().observe(Box().with_port(PATH)).observe(Box().with_port(PATH), after=HOUR, log=PULLED)
    story.observe(box, after=HOUR)
    assert [episode.serial for episode in story.ledger.episodes.episodes] == [""]
    assert sum(episode.is_failure for episode in story.ledger.episodes.episodes) == failures


def counted(**health: Any) -> Box:
    return Box().with_port(PATH).with_drive(PATH, health=dict(health))


@pytest.mark.parametrize(
    ("before", "after", "restarted", "power_lost", "cycled"),
    [
        ({"unsafe_shutdowns": 3, "power_cycles": 20}, {"unsafe_shutdowns": 4, "power_cycles": 21}, False, True, True),
        ({"unsafe_shutdowns": 3}, {"unsafe_shutdowns": 4}, False, True, False),
        ({}, {}, False, False, False),
        # over a restart nothing is said of the moment of the episode
        ({"unsafe_shutdowns": 3, "power_cycles": 20}, {"unsafe_shutdowns": 4, "power_cycles": 21}, True, None, True),
    ],
)
def test_a_drive_says_whether_it_lost_its_power_while_the_machine_ran(
    before: dict[str, int], after: dict[str, int], *, restarted: bool, power_lost: bool | None, cycled: bool
) -> None:
    story = Story().observe(counted(**before)).observe(counted(**before), after=HOUR, log=(DOWN,))
    story.observe(Box().with_port(PATH), after=1.0)
    (story.restart() if restarted else story).observe(counted(**after), after=60).observe(counted(**after), after=60)
    (episode,) = episodes(story)
    assert (episode.power_lost, episode.cycled) == (power_lost, cycled)


@pytest.mark.parametrize(("slept_before", "says"), [(800.0, [None]), (1000.0, [True])])
def test_sleep_shortly_before_an_episode_may_have_cut_the_power(slept_before: float, says: list[object]) -> None:
    story = Story().observe(counted(power_cycles=20)).observe(counted(power_cycles=20), after=HOUR)
    story.ledger.timeline.slept_at = story.now + HOUR - 30.0 - slept_before
    story.observe(counted(power_cycles=20), after=HOUR, log=(DOWN,))
    story.observe(counted(power_cycles=21), after=60)
    assert [episode.power_lost for episode in episodes(story)] == says


def test_a_drive_whose_serial_number_nobody_knows_comes_back_without_a_word_of_its_power() -> None:
    unknown = {"serial": Unread("serial", "gone"), "identity": Unread("identify", "gone")}
    box = Box().with_port(PATH).with_drive(PATH, controller=unknown)
    story = Story().observe(box).observe(box, after=HOUR, log=(DOWN,)).observe(box, after=60)
    (episode,) = episodes(story)
    assert (episode.serial, episode.power_lost) == ("", None)
    assert episode.returned_at is not None


@pytest.mark.parametrize(("after", "is_hot"), [(930.0, True), (931.0, None)])  # the line came half a minute before
def test_what_held_before_is_kept(after: float, is_hot: bool | None) -> None:
    hot = make_health(composite_temperature_celsius=78.0, unsafe_shutdowns=5)
    box = Box().with_port(PATH).with_drive(PATH, controller={"health": hot})
    story = Story().observe(box).observe(box, after=after, log=(DOWN,))
    before = episodes(story)[0].before
    assert before.celsius == 78.0
    assert before.warning_celsius == 80.0
    assert before.hot is is_hot
    assert before.trained == "16 GT/s (generation 4) x4"
    assert before.unsafe_shutdowns == 5


def test_whether_it_was_hot_is_known_from_a_reading_of_the_last_quarter_of_an_hour() -> None:
    box = counted(composite_temperature_celsius=45.0)
    for after, hot in ((900.0, False), (1000.0, None)):
        before = episodes(Story().observe(box).observe(box, after=after, log=(RESET,)))[0].before
        assert (before.celsius, before.hot) == (45.0, hot)


def test_nothing_is_remembered_from_after_a_disconnect_nor_from_before_the_first_reading() -> None:
    cool = counted(composite_temperature_celsius=45.0, unsafe_shutdowns=3)
    warm = counted(composite_temperature_celsius=79.0, unsafe_shutdowns=4)
    before = episodes(Story().observe(cool).observe(warm, after=600.0, log=(RESET,)))[0].before
    assert (before.celsius, before.hot, before.unsafe_shutdowns) == (45.0, False, 3)
    story = Story().observe(warm, after=HOUR, log=(RESET,)).observe(warm, after=60.0)
    (episode,) = episodes(story.observe(warm, after=60.0, log=(RESET,)))
    before = episode.before
    assert (before.celsius, before.hot, before.unsafe_shutdowns, before.load, before.load_during) == (None,) * 5


# drivers/pci/hotplug/pciehp_ctrl.c, pciehp_handle_presence_or_link_change: the slot's words of a drive that is pulled;
# NVM Express Base Specification 2.0, 5.16.1.3: no unsafe shutdown is counted after a shutdown notification
@pytest.mark.parametrize(
    ("words", "unsafe", "failures"),
    [(PULLED, 3, 0), (PULLED, 4, 1), ((*PULLED, DOWN), 3, 1)],
)
def test_a_removal_asked_for_and_its_pull_in_one_pass_are_no_failure_once_the_drive_says_so(
    words: tuple[str, ...], unsafe: int, failures: int
) -> None:
    story = Story().observe(counted(unsafe_shutdowns=3, power_cycles=20))
    story.observe(Box().with_port(PATH), after=HOUR, log=words, devices=(removal(),))
    assert sum(episode.is_failure for episode in episodes(story)) == 1
    back = counted(unsafe_shutdowns=unsafe, power_cycles=21)
    story.observe(back, after=HOUR).observe(back, after=60.0)
    assert sum(episode.is_failure for episode in story.ledger.episodes.episodes) == failures
