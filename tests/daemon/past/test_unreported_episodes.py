"""Episodes that nobody reported, and drives that somebody took out."""

from collections.abc import Callable, Sequence
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
from laneproof.past.event_joining import ADDED, REMOVED
from laneproof_collectors.hotplug import Action, DeviceEvent
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


def unbound() -> Box:
    """A drive that no driver serves: in the midst of any removal, and after a fault."""
    made = four()
    del made._controllers[0]
    return made


def letting_go() -> Box:
    """A drive whose driver is letting go of it: in the midst of a removal, whoever asked for it."""
    made = four()
    own, controller = made._controllers[0]
    made._controllers[0] = (own, replace(controller, state="deleting (no IO)"))
    return made


def empty() -> Box:
    return Box().with_port(PATH)


def without_statistics() -> Box:
    return empty().with_drive(PATH, controller={"namespaces": ()})


READ, OUT, BACK = (HARMLESS_BUT_READ,), (removal(),), (removal(Action.ADD),)
WATCHED = [(four, 0.0, READ, ()), (four, 2 * HOUR, (), ())]
WORKED = [(lambda: working(5000), 0.0, (), ()), (lambda: working(6000), HOUR, (), ())]


@pytest.mark.parametrize(
    ("passes", "expected"),
    [
        # a drive whose statistics begin again had been away, unless a known removal says why
        ([*WORKED, (lambda: working(10), HOUR, (), ())], [(False, [REENUMERATED])]),
        (
            [*WORKED, (empty, 60.0, (), OUT), (without_statistics, 1.0, (), BACK), (lambda: working(10), 1.0, (), ())],
            [(True, [ADDED, REMOVED])],
        ),
        # Linux block/genhd.c, part_stat_show: the milliseconds are of 32 bits, the counts of requests are not
        ([*WORKED, (lambda: working(7000, milliseconds=3), HOUR, (), ())], []),
        # between the driver's going and the function's it is no disconnect where the log is read
        ([*WATCHED, (unbound, 15.0, (), ())], []),
        ([*WATCHED, (unbound, 15.0, (), ()), (gone, 0.1, (), OUT)], [(True, [REMOVED])]),
        ([(four, 0.0, (), ()), (unbound, 15.0, (), ())], [(False, [VANISHED])]),  # nobody knows why
        ([*WATCHED, *[(unbound, 15.0, (), ())] * 4], [(False, [VANISHED])]),  # it takes too long
        ([*WATCHED, (unbound, 15.0, (), OUT), *[(unbound, 15.0, (), ())] * 4], [(True, [REMOVED])]),  # by hand
        ([(four, 0.0, (), ()), (letting_go, 15.0, (), ())], []),
        ([(four, 0.0, (), ()), (letting_go, 15.0, (), ()), (gone, 0.1, (), OUT)], [(True, [REMOVED])]),
        ([*WATCHED, *[(letting_go, 15.0, (), ())] * 6], [(False, [VANISHED])]),
    ],
)
def test_what_became_of_a_drive_of_which_the_kernel_says_nothing(
    passes: list[tuple[Callable[[], Box], float, Sequence[str], Sequence[DeviceEvent]]],
    expected: list[tuple[bool, list[str]]],
) -> None:
    story = Story()
    for box, after, log, devices in passes:
        story.observe(box(), after=after, log=log, devices=devices)
    assert [(episode.asked, episode.kinds) for episode in episodes(story)] == expected
    assert {episode.path for episode in episodes(story)} <= {PATH}
    assert {episode.device for episode in episodes(story) if REENUMERATED in episode.kinds} <= {"nvme0"}


def test_a_drive_whose_driver_is_gone_is_away_at_once_where_the_log_said_why_and_here_once_it_is_back() -> None:
    story = Story().observe(four(), log=READ).observe(unbound(), after=15.0, log=(RESET,))
    assert not story.ledger.episodes.is_filled(PATH)
    story = Story().observe(four(), log=READ)
    for _ in range(3):
        story.observe(letting_go(), after=15.0)
    story.observe(four(), after=60.0)
    assert [episode.returned_at for episode in episodes(story)] == [story.now]
