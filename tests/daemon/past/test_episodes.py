"""Disconnects: one each, told or silent, asked for or not, with what held before and how the drive came back."""

from dataclasses import replace

import pytest

from laneproof.past.episodes import REENUMERATED, RESETTING, VANISHED, Episode
from laneproof.rules.example_past import DAY, HOUR, PATHS, Story, counting_box
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.snapshot import BlockStatistics, NvmeNamespace, PciFunction
from simulated_box import A_MORNING, Box, make_health

PATH = PATHS[0]
DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
GIVEN_UP = "nvme nvme0: Disabling device after reset failure: -19"
HARMLESS_BUT_READ = "nvme nvme0: I/O 7 QID 3 timeout, completion polled"
RESET = "nvme nvme0: I/O 7 QID 3 timeout, reset controller"


def four() -> Box:
    return counting_box((0, 0, 0, 0))


def gone(path: str = PATH) -> Box:
    return four().without(path)


def silent(path: str = PATH) -> Box:
    def stop(function: PciFunction) -> PciFunction:
        return replace(function, answers=False)

    return four().edit(f"{path}/00.0", stop)


def removal(action: Action = Action.REMOVE) -> DeviceEvent:
    address = "0000:01:00.0"
    return DeviceEvent(action=action, subsystem="pci", devpath="/devices/x", name=address, addresses=(address,))


def episodes(story: Story) -> list[Episode]:
    return story.ledger.episodes.episodes


def test_a_disconnect_with_many_lines_is_one() -> None:
    story = Story().look(four())
    power = "nvme 0000:01:00.0: can't change power state from D3cold to D0 (config space inaccessible)"
    story.look(four(), after=HOUR, log=(DOWN, GIVEN_UP, power, DOWN))
    (episode,) = episodes(story)
    assert episode.path == PATH
    assert episode.serial == "FN0000"
    assert episode.device == "nvme0"
    assert episode.dropped
    assert episode.dropped_at == pytest.approx(story.now - 30.0)


def test_two_within_the_hour_are_one_and_later_ones_are_not() -> None:
    story = Story().look(four())
    story.look(four(), after=HOUR, log=(DOWN,)).look(four(), after=HOUR / 2, log=(DOWN,))
    assert len(episodes(story)) == 1
    story.look(four(), after=2 * HOUR, log=(DOWN,))
    assert len(episodes(story)) == 2


def test_a_reset_is_no_drop() -> None:
    story = Story().look(four()).look(four(), after=HOUR, log=(RESET,))
    (reset,) = episodes(story)
    assert not reset.dropped


def test_a_lost_interrupt_is_nothing() -> None:
    assert episodes(Story().look(four()).look(four(), after=HOUR, log=(HARMLESS_BUT_READ,))) == []


def test_a_drive_that_stops_answering_without_a_word_is_a_drop() -> None:
    story = Story().look(four()).look(silent(), after=HOUR)
    (episode,) = episodes(story)
    assert episode.kinds == [VANISHED]
    assert episode.uncertain_seconds == HOUR
    assert story.look(silent(), after=HOUR) is not None
    assert len(episodes(story)) == 1  # it is still the same one


def test_a_drive_gone_without_a_word_where_no_log_is_read_is_a_drop() -> None:
    assert len(episodes(Story().look(four()).look(gone(), after=HOUR))) == 1


def test_a_drive_gone_in_good_order_where_the_log_is_read_was_taken_out() -> None:
    story = Story().look(four()).look(four(), after=HOUR, log=(HARMLESS_BUT_READ,)).look(gone(), after=HOUR)
    assert episodes(story) == []


def test_a_removal_that_only_device_events_tell_was_asked_for() -> None:
    story = Story().look(four()).look(gone(), after=HOUR, devices=(removal(),))
    (episode,) = episodes(story)
    assert episode.asked
    assert not episode.counts
    assert story.ledger.episodes.of_path(PATH) == []


def test_each_removal_in_good_order_is_one_and_a_failure_soon_after_is_another() -> None:
    story = Story().look(four())
    for _ in range(2):
        story.look(gone(), after=60.0, devices=(removal(),)).look(four(), after=60.0, devices=(removal(Action.ADD),))
    story.look(gone(), after=60.0, log=(GIVEN_UP,), devices=(removal(),))
    first, second, failed = episodes(story)
    assert first.asked
    assert second.asked
    assert not failed.asked
    assert failed.dropped_at == pytest.approx(story.now - 30.0)
    assert failed.returned_at is None


def test_removals_within_a_minute_are_still_one_each() -> None:
    story = Story().look(four())
    for _ in range(4):
        story.look(gone(), after=4.0, devices=(removal(),)).look(four(), after=4.0, devices=(removal(Action.ADD),))
    assert [one.asked for one in episodes(story)] == [True] * 4


def test_a_failure_before_a_look_saw_the_drive_back_is_another_too() -> None:
    story = Story().look(four()).look(gone(), after=60.0, devices=(removal(),))
    story.look(gone(), after=2.0, devices=(removal(Action.ADD),)).look(gone(), after=2.0, log=(GIVEN_UP,))
    asked, failed = episodes(story)
    assert asked.asked
    assert failed.counts


def test_a_drive_that_goes_again_within_the_hour_is_not_back() -> None:
    story = Story().look(four()).look(gone(), after=HOUR, log=(GIVEN_UP,), devices=(removal(),))
    story.look(four(), after=120.0)
    (episode,) = episodes(story)
    assert episode.returned_at == story.now
    story.look(gone(), after=120.0, log=(GIVEN_UP,), devices=(removal(),))
    assert episodes(story) == [episode]
    assert episode.returned_at is None
    story.look(four(), after=120.0)
    assert episode.returned_at == story.now


def test_a_drive_that_the_reading_still_showed_when_the_kernel_told_is_not_back() -> None:
    story = Story().look(four()).look(four(), after=HOUR, log=(GIVEN_UP,), devices=(removal(),))
    story.look(gone(), after=1.0)
    (episode,) = episodes(story)
    assert episode.returned_at is None
    story.look(four(), after=60.0).look(gone(), after=3 * HOUR)
    assert episode.returned_at is not None  # what takes it away hours later is another matter


def test_a_removal_event_belongs_to_the_disconnect_that_the_log_told() -> None:
    story = Story().look(four()).look(gone(), after=6 * HOUR, log=(GIVEN_UP,), devices=(removal(),))
    (episode,) = episodes(story)
    assert not episode.asked


def test_a_drive_that_is_missing_after_a_restart_did_not_drop() -> None:
    story = Story().look(four()).restart().look(gone(), after=HOUR)
    assert episodes(story) == []


def test_the_way_back_is_noted() -> None:
    story = Story().look(four()).look(silent(), after=HOUR, log=(DOWN,))
    (episode,) = episodes(story)
    assert episode.returned_at is None
    story.restart().look(four(), after=HOUR)
    assert episode.returned_at == story.now
    assert (episode.boot, episode.returned_boot) == (1, 2)


def test_a_drive_that_comes_back_in_another_place_is_back() -> None:
    story = Story().look(Box().with_port(PATH).with_drive(PATH, serial="FN1").with_port(PATHS[1]))
    story.look(Box().with_port(PATH).with_port(PATHS[1]), after=HOUR, log=(GIVEN_UP,))
    story.restart().look(Box().with_port(PATH).with_port(PATHS[1]).with_drive(PATHS[1], serial="FN1"), after=HOUR)
    (episode,) = episodes(story)
    assert episode.returned_at == story.now


def working(reads: int | None) -> Box:
    """Make a drive with so many reads; None where it tells no statistics (yet)."""
    if reads is None:
        return Box().with_port(PATH).with_drive(PATH, controller={"namespaces": ()})
    disk = BlockStatistics(
        reads=reads, read_bytes=reads * 4096, read_milliseconds=reads, writes=0, written_bytes=0,
        write_milliseconds=0, in_flight=0, busy_milliseconds=0,
    )  # fmt: skip
    space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, logical_block_bytes=512, statistics=disk)
    return Box().with_port(PATH).with_drive(PATH, controller={"namespaces": (space,)})


def test_statistics_that_begin_anew_a_look_after_a_known_removal_are_its_consequence() -> None:
    story = Story().look(working(5000)).look(working(6000), after=60.0)
    story.look(Box().with_port(PATH), after=60.0, devices=(removal(),))
    story.look(working(None), after=1.0, devices=(removal(Action.ADD),)).look(working(10), after=1.0)
    (episode,) = episodes(story)
    assert episode.asked
    assert REENUMERATED not in episode.kinds


def test_a_drive_whose_statistics_begin_anew_had_been_away() -> None:
    story = Story().look(working(5000)).look(working(6000), after=HOUR).look(working(10), after=HOUR)
    (episode,) = episodes(story)
    assert episode.kinds == [REENUMERATED]


def test_two_that_drop_at_once_know_of_each_other() -> None:
    story = Story().look(four())
    story.look(four(), after=HOUR, log=(DOWN, DOWN.replace("nvme0", "nvme2")))
    assert {episode.path: episode.together for episode in episodes(story)} == {
        PATHS[0]: [PATHS[2]],
        PATHS[2]: [PATHS[0]],
    }


def counted(**health: object) -> Box:
    return Box().with_port(PATH).with_drive(PATH, health=dict(health))


def test_a_drive_that_lost_its_power_while_the_machine_ran_says_so() -> None:
    story = Story().look(counted(unsafe_shutdowns=3, power_cycles=20))
    story.look(counted(unsafe_shutdowns=3, power_cycles=20), after=HOUR, log=(DOWN,))
    story.look(counted(unsafe_shutdowns=4, power_cycles=21), after=60)
    (episode,) = episodes(story)
    assert episode.power_lost
    assert episode.cycled


def test_a_drive_that_kept_its_power_says_so_too() -> None:
    story = Story().look(counted()).look(counted(), after=HOUR, log=(DOWN,)).look(counted(), after=60)
    assert episodes(story)[0].power_lost is False


def test_over_a_restart_nothing_is_said_of_power_at_the_moment_of_the_drop() -> None:
    story = Story().look(counted(unsafe_shutdowns=3)).look(silent(), after=HOUR, log=(DOWN,))
    story.restart().look(counted(unsafe_shutdowns=4), after=60)
    assert episodes(story)[0].power_lost is None


def test_what_held_before_is_kept() -> None:
    hot = make_health(composite_temperature_celsius=78.0, unsafe_shutdowns=5)
    box = Box().with_port(PATH).with_drive(PATH, controller={"health": hot})
    story = Story().look(box).look(box, after=900.0, log=(DOWN,))
    before = episodes(story)[0].before
    assert before.celsius == 78.0
    assert before.warning_celsius == 80.0
    assert before.hot
    assert before.trained == "16 GT/s (generation 4) x4"
    assert before.unsafe_shutdowns == 5


def test_whether_it_was_hot_is_known_from_a_reading_of_the_last_quarter_of_an_hour() -> None:
    box = counted(composite_temperature_celsius=45.0)
    for after, hot in ((900.0, False), (1000.0, None)):
        before = episodes(Story().look(box).look(box, after=after, log=(RESET,)))[0].before
        assert (before.celsius, before.hot) == (45.0, hot)


def test_nothing_is_remembered_from_after_a_disconnect() -> None:
    cool = counted(composite_temperature_celsius=45.0, unsafe_shutdowns=3)
    warm = counted(composite_temperature_celsius=79.0, unsafe_shutdowns=4)
    story = Story().look(cool).look(warm, after=600.0, log=(RESET,))
    before = episodes(story)[0].before
    assert (before.celsius, before.hot, before.unsafe_shutdowns) == (45.0, False, 3)


def test_of_a_disconnect_before_the_first_reading_nothing_is_known() -> None:
    warm = counted(composite_temperature_celsius=79.0, unsafe_shutdowns=4)
    story = Story().look(warm, after=HOUR, log=(RESET,)).look(warm, after=60.0).look(warm, after=60.0, log=(RESET,))
    (episode,) = episodes(story)
    assert (episode.before.celsius, episode.before.hot, episode.before.unsafe_shutdowns) == (None, None, None)
    assert episode.before.load is episode.before.load_during is None


def test_medium_errors_in_the_log_are_kept_with_their_position() -> None:
    line = "critical medium error, dev nvme2n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"
    story = Story().look(four()).look(four(), after=HOUR, log=(line,))
    assert [path for _, path, _ in story.ledger.episodes.media] == [PATHS[2]]


def test_events_that_nobody_here_knows_keep_their_own_name() -> None:
    story = Story().look(four()).look(four(), after=HOUR, log=(DOWN.replace("nvme0", "nvme9"),))
    assert episodes(story)[0].path == "nvme9"


def test_a_drive_that_dropped_before_the_first_look_of_a_boot_is_known_by_its_last_name() -> None:
    story = Story().look(four()).restart().look(gone(), after=HOUR, log=(DOWN,))
    assert [one.path for one in episodes(story)] == [PATH]


def test_a_year_of_flapping_stays_small() -> None:
    story = Story().look(four())
    for _ in range(500):
        story.look(four(), after=DAY, log=(DOWN,))
    assert len(episodes(story)) == 400
    assert len(story.ledger.episodes.recent) < 10


def test_a_link_that_comes_up_at_boot_is_training_and_later_it_is_a_drop() -> None:
    line = "pcieport 0000:00:01.1: pciehp: Slot(1): Link Down"
    story = Story(booted_at=A_MORNING - 20.0).look(four(), log=(line,))
    assert episodes(story) == []
    story.look(four(), after=HOUR, log=(line,))
    assert len(episodes(story)) == 1


def test_a_controller_that_is_being_reset_without_a_word_is_a_reset() -> None:
    box = Box().with_port(PATH).with_drive(PATH, controller={"state": "resetting"})
    story = Story().look(Box().with_port(PATH).with_drive(PATH)).look(box, after=HOUR)
    (reset,) = episodes(story)
    assert reset.kinds == [RESETTING]
    assert not reset.dropped


@pytest.mark.parametrize(
    ("line", "answered"),
    [
        (DOWN, False),
        (DOWN.replace("0xffffffff", "0x3"), True),
        (RESET, None),
        ("pcieport 0000:00:01.1: pciehp: Slot(1): Link Down", False),
    ],
)
def test_whether_the_controller_still_answered_is_taken_from_its_own_register(line: str, answered: bool | None) -> None:  # noqa: FBT001
    story = Story().look(four()).look(four(), after=HOUR, log=(line, GIVEN_UP))
    assert episodes(story)[0].answered is answered


def letting_go() -> Box:
    """A drive whose driver is letting go of it: in the midst of a removal, whoever asked for it."""
    made = four()
    own, controller = made._controllers[0]
    made._controllers[0] = (own, replace(controller, state="deleting (no IO)"))
    return made


def test_a_look_in_the_midst_of_a_removal_in_good_order_is_no_disconnect() -> None:
    story = Story().look(four()).look(letting_go(), after=15.0)
    assert episodes(story) == []
    story.look(gone(), after=0.1, devices=(removal(),))
    assert [one.asked for one in episodes(story)] == [True]


def test_a_drive_that_its_driver_cannot_let_go_of_is_gone_once() -> None:
    story = Story().look(four(), log=(HARMLESS_BUT_READ,))
    for _ in range(3):
        story.look(letting_go(), after=15.0)
    (episode,) = episodes(story)
    assert VANISHED in episode.kinds
    for _ in range(3):
        story.look(letting_go(), after=15.0)
    assert len(episodes(story)) == 1
    story.look(four(), after=60.0)
    assert episodes(story)[0].returned_at == story.now
