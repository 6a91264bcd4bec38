"""Episodes that nobody reported, and drives that somebody took out."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from boxes.losing_box import (
    HARMLESS_BUT_READ,
    LOG_DENIED,
    LOG_OVERRUN,
    PATH,
    RESET,
    episodes,
    four,
    gone,
    observe_without_words,
    removal,
    silent,
)
from boxes.simulated_past import HOUR, Story, busy_box
from boxes.snapshot_box import Box
from laneproof.past.episodes import REENUMERATED, RESETTING, VANISHED
from laneproof_collectors.hotplug import Action
from laneproof_collectors.kernel_log.reading import KernelEvents
from laneproof_collectors.unread import Unread


def resetting() -> Box:
    """Four drives of which the first one's controller is being reset."""
    made = four()
    own, controller = made._controllers[0]
    made._controllers[0] = (own, replace(controller, state="resetting"))
    return made


def test_a_drive_that_stops_answering_without_a_word_is_an_episode() -> None:
    story = Story().observe(four()).observe(silent(), after=HOUR)
    (episode,) = episodes(story)
    assert (episode.path, episode.device, episode.kinds) == (PATH, "nvme0", [VANISHED])
    assert episode.uncertain_seconds == HOUR
    assert story.observe(silent(), after=HOUR) is not None
    assert len(episodes(story)) == 1  # it is still the same one


@pytest.mark.parametrize("log", [LOG_DENIED, LOG_OVERRUN])
@pytest.mark.parametrize(("after", "kinds"), [(gone, [VANISHED]), (resetting, [RESETTING])])
def test_a_log_that_was_read_once_says_nothing_of_a_pass_in_which_it_was_not(
    after: Callable[[], Box], kinds: list[str], log: KernelEvents | Unread
) -> None:
    story = Story().observe(four()).observe(four(), after=HOUR, log=(HARMLESS_BUT_READ,))
    observe_without_words(story, after(), log, after=HOUR)
    assert [(episode.kinds, episode.asked, episode.dropped) for episode in episodes(story)] == [
        (kinds, False, kinds == [VANISHED])
    ]


@pytest.mark.parametrize(
    ("log", "after", "kinds"),
    [
        ((), gone, [[VANISHED]]),
        ((), resetting, [[RESETTING]]),
        ((HARMLESS_BUT_READ,), gone, []),  # taken out in good order
        ((HARMLESS_BUT_READ,), resetting, []),  # somebody's wish
    ],
)
def test_what_nobody_reported_is_an_episode_only_where_no_log_is_read(
    log: tuple[str, ...], after: Callable[[], Box], kinds: list[list[str]]
) -> None:
    story = Story().observe(four(), log=log).observe(after(), after=HOUR)
    assert [episode.kinds for episode in episodes(story)] == kinds
    assert {(episode.path, episode.device) for episode in episodes(story)} <= {(PATH, "nvme0")}
    story.observe(after(), after=2 * HOUR, log=(RESET,))
    assert len(episodes(story)) == len(kinds) + 1


def test_a_drive_that_is_missing_after_a_restart_did_not_drop() -> None:
    story = Story().observe(four()).restart().observe(gone(), after=HOUR)
    assert episodes(story) == []


def working(reads: int, *, milliseconds: int | None = None) -> Box:
    return busy_box(reads, (milliseconds or reads,))


def test_statistics_that_begin_again_a_pass_after_a_known_removal_are_its_consequence() -> None:
    story = Story().observe(working(5000)).observe(working(6000), after=60.0)
    story.observe(Box().with_port(PATH), after=60.0, devices=(removal(),))
    no_statistics_yet = Box().with_port(PATH).with_drive(PATH, controller={"namespaces": ()})
    story.observe(no_statistics_yet, after=1.0, devices=(removal(Action.ADD),)).observe(working(10), after=1.0)
    (episode,) = episodes(story)
    assert episode.asked
    assert REENUMERATED not in episode.kinds


def test_a_drive_whose_statistics_begin_again_had_been_away() -> None:
    story = Story().observe(working(5000)).observe(working(6000), after=HOUR).observe(working(10), after=HOUR)
    (episode,) = episodes(story)
    assert (episode.path, episode.device, episode.kinds) == (PATH, "nvme0", [REENUMERATED])


# Linux block/genhd.c, part_stat_show: the milliseconds are of 32 bits, the counts of requests are not
def test_milliseconds_that_run_over_are_no_absence() -> None:
    story = Story().observe(working(5000)).observe(working(6000), after=HOUR)
    story.observe(working(7000, milliseconds=3), after=HOUR)
    assert episodes(story) == []


def unbound() -> Box:
    """A drive that no driver serves: in the midst of any removal, and after a fault."""
    made = four()
    del made._controllers[0]
    return made


def test_a_pass_between_the_driver_s_going_and_the_function_s_is_no_disconnect_where_the_log_is_read() -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(four(), after=HOUR).observe(unbound(), after=15.0)
    assert episodes(story) == []
    story.observe(gone(), after=0.1, devices=(removal(),))
    assert [episode.asked for episode in episodes(story)] == [True]


def test_a_drive_that_its_driver_gave_up_is_gone_at_once_where_nobody_heard_why_else_soon() -> None:
    assert [episode.kinds for episode in episodes(Story().observe(four()).observe(unbound(), after=15.0))] == [
        [VANISHED]
    ]
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(four(), after=2 * HOUR)
    for _ in range(4):
        story.observe(unbound(), after=15.0)
    assert [episode.kinds for episode in episodes(story)] == [[VANISHED]]
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(unbound(), after=15.0, log=(RESET,))
    assert not story.ledger.episodes.is_filled(PATH)  # the log said why


def test_a_drive_that_was_unbound_by_hand_and_stays_so_is_no_disconnect() -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(four(), after=2 * HOUR)
    story.observe(unbound(), after=15.0, devices=(removal(),))
    for _ in range(4):
        story.observe(unbound(), after=15.0)
    assert [episode.asked for episode in episodes(story)] == [True]


def letting_go() -> Box:
    """A drive whose driver is letting go of it: in the midst of a removal, whoever asked for it."""
    made = four()
    own, controller = made._controllers[0]
    made._controllers[0] = (own, replace(controller, state="deleting (no IO)"))
    return made


def test_a_pass_in_the_midst_of_a_removal_in_good_order_is_no_disconnect() -> None:
    story = Story().observe(four()).observe(letting_go(), after=15.0)
    assert episodes(story) == []
    story.observe(gone(), after=0.1, devices=(removal(),))
    assert [episode.asked for episode in episodes(story)] == [True]


def test_a_drive_that_its_driver_cannot_let_go_of_is_gone_once() -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,))
    for _ in range(3):
        story.observe(letting_go(), after=15.0)
    (episode,) = episodes(story)
    assert VANISHED in episode.kinds
    for _ in range(3):
        story.observe(letting_go(), after=15.0)
    assert len(episodes(story)) == 1
    story.observe(four(), after=60.0)
    assert episodes(story)[0].returned_at == story.now
