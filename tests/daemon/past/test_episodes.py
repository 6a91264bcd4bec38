"""Episodes: one each, asked for or not, however many lines the kernel wrote."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from boxes.losing_box import (
    DOWN,
    GIVEN_UP,
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
)
from boxes.simulated_past import DAY, HOUR, PATHS, Story, say
from boxes.snapshot_box import A_MORNING, Box
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.kernel_log.reading import KernelEvents, kernel_events
from laneproof_collectors.unread import Unread
from support.unread_answers import known


def test_a_disconnect_with_many_lines_is_one() -> None:
    story = Story().observe(four())
    power = "nvme 0000:01:00.0: can't change power state from D3cold to D0 (config space inaccessible)"
    story.observe(four(), after=HOUR, log=(DOWN, GIVEN_UP, power, DOWN))
    (episode,) = episodes(story)
    assert episode.path == PATH
    assert episode.serial == "FN0000"
    assert episode.device == "nvme0"
    assert episode.dropped
    assert episode.dropped_at == pytest.approx(story.now - 30.0)


def test_two_within_the_hour_are_one_and_later_ones_are_not() -> None:
    story = Story().observe(four())
    story.observe(four(), after=HOUR, log=(DOWN,)).observe(four(), after=HOUR / 2, log=(DOWN,))
    assert len(episodes(story)) == 1
    (episode,) = episodes(story)
    assert episode.may_grow(story.ledger.timeline)
    assert not episode.may_grow(replace(story.ledger.timeline, boots=2))
    story.observe(four(), after=2 * HOUR, log=(DOWN,))
    assert len(episodes(story)) == 2
    assert not episode.may_grow(story.ledger.timeline)


def test_a_reset_is_no_disconnect() -> None:
    story = Story().observe(four()).observe(four(), after=HOUR, log=(RESET,))
    (reset,) = episodes(story)
    assert not reset.dropped


@pytest.mark.parametrize("lines", [(RESET, DOWN), (DOWN, RESET)])
def test_a_disconnect_beside_a_reset_is_a_disconnect(lines: tuple[str, str]) -> None:
    story = Story().observe(four())
    for line in lines:
        story.observe(four(), after=HOUR / 2, log=(line,))
    (episode,) = episodes(story)
    assert episode.dropped


def test_a_lost_interrupt_is_nothing() -> None:
    assert episodes(Story().observe(four()).observe(four(), after=HOUR, log=(HARMLESS_BUT_READ,))) == []


def test_a_removal_that_only_device_events_report_was_asked_for() -> None:
    story = Story().observe(four()).observe(gone(), after=HOUR, devices=(removal(),))
    (episode,) = episodes(story)
    assert episode.asked
    assert not episode.is_failure
    assert story.ledger.episodes.of(PATH, None) == []


@pytest.mark.parametrize("log", [LOG_DENIED, LOG_OVERRUN])
def test_a_removal_in_a_pass_without_the_log_is_a_failure_however_often_and_stays_one(
    log: KernelEvents | Unread,
) -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,))
    for _ in range(4):
        observe_without_words(story, gone(), log, after=600.0, devices=(removal(),))
        story.observe(four(), after=600.0, devices=(removal(Action.ADD),))
        story.observe(four(), after=DAY)
    assert [(episode.asked, episode.dropped) for episode in episodes(story)] == [(False, True)] * 4
    assert len(story.ledger.episodes.of(PATH, None)) == 4
    story.observe(gone(), after=600.0, devices=(removal(),))  # the log is whole again
    assert episodes(story)[-1].asked


def test_each_removal_in_good_order_is_one_and_a_failure_soon_after_is_another() -> None:
    story = Story().observe(four())
    for _ in range(2):
        story.observe(gone(), after=60.0, devices=(removal(),)).observe(
            four(), after=60.0, devices=(removal(Action.ADD),)
        )
    story.observe(gone(), after=60.0, log=(GIVEN_UP,), devices=(removal(),))
    first, second, failed = episodes(story)
    assert first.asked
    assert second.asked
    assert not failed.asked
    assert failed.dropped_at == pytest.approx(story.now - 30.0)
    assert failed.returned_at is None


def test_a_line_of_the_log_that_is_read_late_takes_the_good_order_back() -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(gone(), after=HOUR, devices=(removal(),))
    assert [episode.asked for episode in episodes(story)] == [True]
    assert story.last is not None
    late = known(say(GIVEN_UP, up_seconds=story.last.up_seconds - 5.0))
    story.ledger.update(replace(story.last, taken_at=story.now + 15.0, up_seconds=story.last.up_seconds + 15.0), [late])
    assert [episode.asked for episode in episodes(story)] == [False]


def test_two_that_drop_at_once_know_of_each_other() -> None:
    story = Story().observe(four())
    story.observe(four(), after=HOUR, log=(DOWN, DOWN.replace("nvme0", "nvme2")))
    assert {episode.path: episode.together for episode in episodes(story)} == {
        PATHS[0]: [PATHS[2]],
        PATHS[2]: [PATHS[0]],
    }


def test_correctable_errors_in_the_log_are_counted_by_position() -> None:
    line = "nvme 0000:01:00.0: PCIe Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)"
    story = Story().observe(four())
    events = [event for _ in range(3) if (event := say(line, up_seconds=story.now - story.booted_at)) is not None]
    book, timeline = story.ledger.episodes, story.ledger.timeline
    assert book.place_events(events, (), book.names, timeline, is_log_whole=True) == ([], {PATH: 3})


def test_medium_errors_in_the_log_are_kept_with_their_position() -> None:
    line = "critical medium error, dev nvme2n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"
    story = Story().observe(four()).observe(four(), after=HOUR, log=(line,))
    assert [path for _, path, _ in story.ledger.episodes.media] == [PATHS[2]]


def test_events_that_nobody_here_knows_keep_their_own_name() -> None:
    story = Story().observe(four()).observe(four(), after=HOUR, log=(DOWN.replace("nvme0", "nvme9"),))
    assert episodes(story)[0].path == "nvme9"


def test_a_drive_that_dropped_before_the_first_pass_of_a_boot_is_known_by_its_last_name() -> None:
    story = Story().observe(four()).restart().observe(gone(), after=HOUR, log=(DOWN,))
    assert [episode.path for episode in episodes(story)] == [PATH]


def test_a_year_of_flapping_stays_small() -> None:
    story = Story().observe(four())
    for _ in range(500):
        story.observe(four(), after=DAY, log=(DOWN,))
    assert len(episodes(story)) == 400
    assert len(story.ledger.episodes.recent) < 10


def test_a_link_that_comes_up_at_boot_is_training_and_later_it_is_an_episode() -> None:
    line = "pcieport 0000:00:01.1: pciehp: Slot(1): Link Down"
    story = Story(booted_at=A_MORNING - 59.0).observe(four(), log=(line,))
    assert episodes(story) == []
    assert len(episodes(Story(booted_at=A_MORNING - 60.0).observe(four(), log=(line,)))) == 1
    story.observe(four(), after=HOUR, log=(line,))
    assert len(episodes(story)) == 1


@pytest.mark.parametrize(
    ("line", "answered"),
    [
        (DOWN, False),
        (DOWN.replace("0xffffffff", "0x3"), True),
        (RESET, None),
        ("pcieport 0000:00:01.1: pciehp: Slot(1): Link Down", False),
    ],
)
def test_whether_the_controller_still_answered_is_taken_from_its_own_register(line: str, answered: bool | None) -> None:
    story = Story().observe(four()).observe(four(), after=HOUR, log=(line, GIVEN_UP))
    assert episodes(story)[0].answered is answered


# Linux drivers/nvme/host/core.c and pci.c print these lines
@pytest.mark.parametrize(
    ("words", "kind"),
    [("Identify Controller failed (-5)", "probe_failed"), ("I/O 7 QID 3 timeout, aborting", "command-aborted")],
)
def test_a_drive_that_could_not_be_brought_up_or_lets_a_command_time_out_is_an_episode_by_itself(
    words: str, kind: str
) -> None:
    (episode,) = episodes(Story().observe(four()).observe(four(), after=HOUR, log=(f"nvme nvme0: {words}",)))
    assert (episode.path, episode.kinds) == (PATH, [kind])


# A slot that is on says so when its card is pulled, also after the drive was removed in good order.
# Source: Linux drivers/pci/hotplug/pciehp_ctrl.c, pciehp_handle_presence_or_link_change.
SLOT = "pcieport 0000:00:01.1: pciehp: Slot(1): "


OUT, BACK = (removal(),), (removal(Action.ADD),)
PULLED = (f"{SLOT}Link Down", f"{SLOT}Card not present")
REMOVED_THEN_PULLED = [(gone, HOUR, (), OUT), (gone, 60.0, PULLED, ())]


@pytest.mark.parametrize(
    ("passes", "asked"),
    [
        ([(gone, 4.0, (), OUT), (four, 4.0, (), BACK)] * 4, [True] * 4),
        ([(gone, 60.0, (), OUT), (gone, 2.0, (), BACK), (gone, 2.0, (GIVEN_UP,), ())], [True, False]),
        ([(gone, 6 * HOUR, (GIVEN_UP,), OUT)], [False]),
        (REMOVED_THEN_PULLED, [True]),
        ([*REMOVED_THEN_PULLED, (gone, 6 * HOUR, PULLED[:1], ())], [True]),
        # once it is back it can fail again, also at once
        ([*REMOVED_THEN_PULLED, (four, HOUR, (f"{SLOT}Link Up",), ()), (gone, HOUR, PULLED, ())], [True, False]),
        ([*REMOVED_THEN_PULLED, (gone, HOUR, (f"{SLOT}Link Up",), ()), (gone, 5.0, PULLED[:1], ())], [True, False]),
        ([(gone, 60.0, PULLED, OUT)], [False]),  # nobody had removed it before the slot said so
    ],
)
def test_what_somebody_asked_for_is_told_apart_from_what_failed(
    passes: list[tuple[Callable[[], Box], float, Sequence[str], Sequence[DeviceEvent]]], asked: list[bool]
) -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,)).observe(four(), after=HOUR)
    for box, after, log, devices in passes:
        story.observe(box(), after=after, log=log, devices=devices)
    assert [episode.asked for episode in episodes(story)] == asked


# With an IOMMU the log says when a function left the kernel: before its slot where that was asked for, else after it.
# Source: Linux drivers/iommu/iommu.c, when a function is removed from its bus (from memory).
@pytest.mark.parametrize(
    ("left_before_slot", "first", "asked"),
    [(5.0, "", True), (-1.0, "", False), (5.0, GIVEN_UP, False), (None, "", False)],
)
def test_the_log_decides_whether_a_drive_was_removed_before_it_was_pulled_in_one_pass(
    left_before_slot: float | None,
    first: str,
    asked: bool,
) -> None:
    story = Story().observe(four(), log=(HARMLESS_BUT_READ,))
    slot_at = story.now - story.booted_at + 1000.0
    said = [(slot_at, f"{SLOT}Link Down"), (slot_at + 0.02, f"{SLOT}Card not present")]
    said = [(slot_at - 60.0, first), *said] if first else said
    records = [f"4,{number},{round(at * 1e6)},-;{text}" for number, (at, text) in enumerate(said)]
    released = () if left_before_slot is None else (("0000:01:00.0", slot_at - left_before_slot),)
    log = KernelEvents(kernel_events(records), 0, len(records), released=released)
    observe_without_words(story, gone(), log, after=HOUR, devices=(removal(),))
    assert [episode.asked for episode in episodes(story)] == [asked]


def test_a_drive_that_was_let_go_on_request_is_in_hand_for_two_minutes_or_until_it_is_back() -> None:
    story = Story().observe(four()).observe(gone(), after=HOUR, devices=(removal(),))
    book, now = story.ledger.episodes, story.ledger.now
    assert book.is_being_removed(PATH, now)
    assert book.is_being_removed(PATH, now + 100.0)
    assert not book.is_being_removed(PATH, now + 120.0)
    assert not book.is_being_removed(PATHS[1], now)
    story.observe(four(), after=10.0, devices=(removal(Action.ADD),))
    assert not book.is_being_removed(PATH, story.ledger.now)
    story.observe(gone(), after=HOUR, log=(GIVEN_UP,))
    assert not book.is_being_removed(PATH, story.ledger.now)  # it failed


@pytest.mark.parametrize("log", [KernelEvents((), 0, 0), LOG_DENIED])
def test_a_log_of_which_no_record_was_ever_read_does_not_say_that_a_drive_was_taken_out(
    log: KernelEvents | Unread,
) -> None:
    """A recording made without the right to read the log has no records, and its silence says nothing."""
    story = Story()
    observe_without_words(story.observe(four()), four(), log, after=60.0)
    observe_without_words(story, gone(), log, after=HOUR, devices=(removal(),))
    assert [(episode.asked, episode.only_left) for episode in episodes(story)] == [(False, True)]
