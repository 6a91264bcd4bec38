"""The ledger's own time: monotonic within a boot, unmoved by steps of the clock, and honest about events' times."""

import pytest

from laneproof.past.timeline import MOST_OFF_SECONDS, STEP_SECONDS, Timeline

START = 1_790_000_000.0
BOOT, NEXT_BOOT = "boot-1", "boot-2"
DAY, HOUR = 86400.0, 3600.0


def begun(*passes: tuple[float, float, str]) -> Timeline:
    """Begin after ten minutes of a boot, and go on: seconds since the first pass, time since boot, and the boot."""
    timeline = Timeline()
    for seconds, up, boot in ((0.0, 600.0, BOOT), *passes):
        timeline.advance(taken_at=START + seconds, up_seconds=up, boot_id=boot)
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


@pytest.mark.parametrize("step", [-7 * 86400.0, -61.0, 61.0, 365 * 86400.0])
def test_a_step_of_the_clock_does_not_move_it(step: float) -> None:
    timeline = begun()
    timeline.advance(taken_at=START + 60 + step, up_seconds=660.0, boot_id=BOOT)
    assert timeline.now == START + 60
    timeline.advance(taken_at=START + 120, up_seconds=720.0, boot_id=BOOT)  # and back
    assert timeline.now == START + 120
    assert abs(step) > STEP_SECONDS


@pytest.mark.parametrize(
    ("up", "wall", "elapsed"),
    [
        (0.5, 3600.0, 0.5),
        (0.0, 3600.0, 3600.0),  # a recording that gives no time since boot goes by its clock
        (0.0, -3600.0, 0.0),
        (-0.5, 3600.0, 0.0),
    ],
)
def test_time_goes_on_by_the_time_since_boot_where_that_moves(up: float, wall: float, elapsed: float) -> None:
    assert begun((wall, 600.0 + up, BOOT)).now == START + elapsed


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
    assert begun((-DAY, 50.0, NEXT_BOOT)).now == START + 50.0


AN_HOUR = ((3600.0, 4200.0, BOOT),)
AND_A_MINUTE = (*AN_HOUR, (3660.0, 4260.0, BOOT))
RESTARTED = ((7200.0, 100.0, NEXT_BOOT),)
LONG_OFF = ((60.0, 660.0, BOOT), (90 * DAY, 60.0, NEXT_BOOT))


@pytest.mark.parametrize(
    ("passes", "up", "unix", "boot_before", "when"),
    [
        (AN_HOUR, 3000.0, None, False, 2400.0),
        (AN_HOUR, None, None, False, 3600.0),
        (AN_HOUR, None, 1800.0, False, 1800.0),
        # whose time cannot be is put at the pass
        (AND_A_MINUTE, 4261.0, None, False, 3660.0),
        (AND_A_MINUTE, 9e9, None, False, 3660.0),
        (AND_A_MINUTE, 3599.0, None, False, 3660.0),
        (AND_A_MINUTE, 3600.0, None, False, 3000.0),  # ten minutes before the pass before
        # what the boot before said, read back from the journal, lies between its last pass and this boot
        (RESTARTED, 900.0, 300.0, True, 300.0),
        (RESTARTED, 900.0, -300.0, True, 0.0),
        (RESTARTED, 900.0, 7150.0, True, 7100.0),
        (RESTARTED, 900.0, None, True, 0.0),
        (LONG_OFF, 700.0, 100.0, True, 100.0),
    ],
)
def test_an_event_is_dated_by_time_since_boot_or_by_the_clock(
    passes: tuple[tuple[float, float, str], ...],
    up: float | None,
    unix: float | None,
    *,
    boot_before: bool,
    when: float,
) -> None:
    dated = begun(*passes).at(up, None if unix is None else START + unix, boot_before=boot_before)
    assert dated == START + when


def test_a_recording_that_does_not_give_the_time_since_boot_is_dated_by_its_events() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=START, boot_id=BOOT)  # a recording without it: no box is up that long
    assert not timeline.up_is_credible
    timeline.advance(taken_at=START + 3600, up_seconds=START + 3600, boot_id=BOOT)
    assert timeline.at(3400.0) == START + 3400  # as if it had booted at the first look
    assert timeline.at(3700.0) == START + 3600  # so the boot lies 3700 s back at least
    assert timeline.at(3500.0) == START + 3400


def test_an_event_of_another_boot_is_known_by_its_name_with_dashes_or_without() -> None:
    timeline = begun(*RESTARTED)
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
    assert begun((9 * HOUR, 60.0, NEXT_BOOT)).now == START + 9 * HOUR
    assert begun(*LONG_OFF).to_wall(START + 100.0) == START + 100.0  # what was before keeps its place


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
    timeline = begun((9 * HOUR, 600.0 + 9 * HOUR, BOOT))
    assert timeline.at(600.0 + 9 * HOUR - 10.0) == timeline.now - 10.0
    assert timeline.sleeps == []
