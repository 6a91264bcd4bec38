"""The ledger's own time: monotonic within a boot, unmoved by steps of the clock, and honest about events' times."""

import pytest

from laneproof.past.timeline import MOST_OFF_SECONDS, STEP_SECONDS, Timeline

START = 1_790_000_000.0
BOOT, NEXT_BOOT = "boot-1", "boot-2"
DAY, HOUR = 86400.0, 3600.0


def begun(*, up: float = 600.0) -> Timeline:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=up, boot_id=BOOT)
    return timeline


def test_the_first_pass_begins_at_the_machines_own_time() -> None:
    timeline = Timeline()
    step = timeline.advance(taken_at=START, up_seconds=600.0, boot_id=BOOT)
    assert (step.first, step.rebooted, step.elapsed) == (True, False, 0.0)
    assert timeline.now == timeline.began_at == START
    assert timeline.booted_at == START - 600.0


def test_without_steps_it_goes_with_the_clock() -> None:
    timeline = begun()
    for minute in range(1, 600):
        timeline.advance(taken_at=START + 60 * minute + 0.001 * minute, up_seconds=600.0 + 60 * minute, boot_id=BOOT)
    assert timeline.now == pytest.approx(START + 60 * 599 + 0.599)
    assert timeline.watched_seconds == pytest.approx(60 * 599 + 0.599)


@pytest.mark.parametrize("step", [-7 * 86400.0, -3600.0, 3600.0, 365 * 86400.0])
def test_a_step_of_the_clock_does_not_move_it(step: float) -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 60 + step, up_seconds=660.0, boot_id=BOOT)
    assert timeline.now == START + 60
    timeline.advance(taken_at=START + 120, up_seconds=720.0, boot_id=BOOT)  # and back
    assert timeline.now == START + 120
    assert abs(step) > STEP_SECONDS


def test_what_is_shown_is_the_machines_clock_as_it_is_now() -> None:
    timeline = begun()
    event = timeline.now
    timeline.advance(taken_at=START + 60 + 3600, up_seconds=660.0, boot_id=BOOT)
    assert timeline.to_wall(event) == START + 3600


def test_a_new_boot_is_known_by_its_id_and_takes_the_time_that_the_machine_was_off() -> None:
    timeline = begun()
    step = timeline.advance(taken_at=START + 7200, up_seconds=100.0, boot_id=NEXT_BOOT)
    assert step.rebooted
    assert step.elapsed == 7200.0
    assert timeline.boots == 2
    assert timeline.booted_at == START + 7100
    assert timeline.watched_seconds == 0.0  # nobody watched meanwhile


def test_without_an_id_a_boot_is_known_by_the_time_since_boot() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=600.0, boot_id="")
    assert timeline.advance(taken_at=START + 600, up_seconds=60.0, boot_id="").rebooted
    assert not timeline.advance(taken_at=START + 660, up_seconds=120.0, boot_id="").rebooted


def test_a_pass_whose_boot_could_not_be_read_belongs_to_the_running_one() -> None:
    timeline = begun()
    assert not timeline.advance(taken_at=START + 60, up_seconds=660.0, boot_id="").rebooted
    assert timeline.advance(taken_at=START + 3600, up_seconds=700.0, boot_id=NEXT_BOOT).rebooted


def test_a_clock_that_went_back_over_a_boot_does_not_turn_time_back() -> None:
    timeline = begun()
    timeline.advance(taken_at=START - 86400, up_seconds=50.0, boot_id=NEXT_BOOT)
    assert timeline.now >= START


def test_an_event_stands_where_its_time_since_boot_puts_it() -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 3600, up_seconds=4200.0, boot_id=BOOT)
    assert timeline.at(3000.0) == START + 2400
    assert timeline.at(None) == timeline.now
    assert timeline.at(None, START + 1800) == START + 1800


@pytest.mark.parametrize("up", [4201.0, 9e9, 10.0])
def test_an_event_whose_time_cannot_be_is_put_at_the_pass(up: float) -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 3600, up_seconds=4200.0, boot_id=BOOT)
    timeline.advance(taken_at=START + 3660, up_seconds=4260.0, boot_id=BOOT)
    assert timeline.at(up if up != 4201.0 else 4261.0) == timeline.now


def test_a_recording_that_does_not_give_the_time_since_boot_is_dated_by_its_events() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=START, boot_id=BOOT)  # a recording without it: no box is up that long
    assert not timeline.up_is_credible
    timeline.advance(taken_at=START + 3600, up_seconds=START + 3600, boot_id=BOOT)
    assert timeline.at(3400.0) == START + 3400  # as if it had booted at the first look
    assert timeline.at(3700.0) == START + 3600  # so the boot lies 3700 s back at least
    assert timeline.at(3500.0) == START + 3400


# --- what the boot before said, read back from the journal ------------------------------------------------------------


def _restarted() -> Timeline:
    timeline = begun()
    timeline.advance(taken_at=START + 7200, up_seconds=100.0, boot_id=NEXT_BOOT)
    return timeline


@pytest.mark.parametrize(
    ("unix", "when"),
    [(START + 300, START + 300), (START - 300, START), (START + 7150, START + 7100), (None, START)],
)
def test_what_the_boot_before_said_lies_between_its_last_pass_and_this_boot(unix: float | None, when: float) -> None:
    assert _restarted().at(900.0, unix, boot_before=True) == when


def test_an_event_of_another_boot_is_known_by_its_name_with_dashes_or_without() -> None:
    timeline = _restarted()
    assert timeline.is_of_boot_before("boot1")
    assert not timeline.is_of_boot_before("boot2")
    assert not timeline.is_of_boot_before(None)
    assert not begun().is_of_boot_before("boot0")  # nothing was seen of it


@pytest.mark.parametrize("years", [1, 5, 30])
def test_a_clock_that_was_wrong_for_a_whole_boot_and_is_put_right_ages_nothing_by_years(years: int) -> None:
    timeline = begun()
    event = timeline.now
    timeline.advance(taken_at=START + years * 365 * DAY, up_seconds=300.0, boot_id=NEXT_BOOT)
    assert timeline.now - event == 300.0 + MOST_OFF_SECONDS
    assert timeline.to_wall(event) == START  # as the clock showed it then
    assert timeline.to_wall(timeline.now) == START + years * 365 * DAY


def test_a_night_that_the_machine_was_off_counts_as_it_was() -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 9 * HOUR, up_seconds=60.0, boot_id=NEXT_BOOT)
    assert timeline.now == START + 9 * HOUR


def test_the_last_words_of_a_boot_before_a_long_time_off_keep_their_place_before_it() -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 60.0, up_seconds=660.0, boot_id=BOOT)
    timeline.advance(taken_at=START + 90 * DAY, up_seconds=60.0, boot_id=NEXT_BOOT)
    assert timeline.at(700.0, START + 100.0, boot_before=True) == START + 100.0
    assert timeline.to_wall(START + 100.0) == START + 100.0


# --- sleep: CLOCK_MONOTONIC stops in it, and so do kernel stamps; CLOCK_BOOTTIME does not; clock_gettime(2)


def awake(timeline: Timeline, *, seconds: float, slept: float = 0.0) -> None:
    """Pass so many seconds awake, after the machine slept so long."""
    timeline.advance(
        taken_at=timeline.wall + slept + seconds,
        up_seconds=timeline.up_seconds + slept + seconds,
        boot_id=BOOT,
        monotonic_seconds=(timeline.monotonic_seconds or 0.0) + seconds,
    )


def slept_a_night() -> Timeline:
    """Make a machine that was up for an hour, slept for eight, and has been awake for a minute."""
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=600.0, boot_id=BOOT, monotonic_seconds=600.0)
    for _ in range(50):
        awake(timeline, seconds=60.0)
    awake(timeline, seconds=60.0, slept=8 * HOUR)
    return timeline


def test_an_event_after_a_sleep_is_dated_after_it() -> None:
    timeline = slept_a_night()
    awake(timeline, seconds=60.0)
    assert timeline.at(600.0 + 52 * 60.0 - 10.0) == timeline.now - 10.0


def test_an_event_before_a_sleep_is_dated_before_it() -> None:
    timeline = slept_a_night()
    assert timeline.at(600.0 + 49 * 60.0) == START + 49 * 60.0


def test_a_second_sleep_moves_nothing_of_the_time_between_both() -> None:
    timeline = slept_a_night()
    between, stamp = timeline.now, timeline.monotonic_seconds
    awake(timeline, seconds=60.0)
    awake(timeline, seconds=60.0, slept=HOUR)
    assert timeline.at(stamp) == between


def test_the_moment_of_a_sleep_is_kept_and_a_new_boot_has_had_none() -> None:
    timeline = slept_a_night()
    assert timeline.slept_since(timeline.before)
    assert not timeline.slept_since(timeline.now)
    timeline.advance(taken_at=timeline.wall + HOUR, up_seconds=60.0, boot_id=NEXT_BOOT, monotonic_seconds=60.0)
    assert timeline.at(50.0) == timeline.now - 10.0


def test_a_machine_that_slept_before_it_was_watched_says_so() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=9 * HOUR, boot_id=BOOT, monotonic_seconds=HOUR)
    assert timeline.at(HOUR - 10.0) == START - 10.0


def test_without_the_clock_that_stops_stamps_are_taken_for_time_since_boot() -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 9 * HOUR, up_seconds=600.0 + 9 * HOUR, boot_id=BOOT)
    assert timeline.at(600.0 + 9 * HOUR - 10.0) == timeline.now - 10.0
    assert timeline.sleeps == []
