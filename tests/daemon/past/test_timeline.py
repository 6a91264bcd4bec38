"""The ledger's own time: monotonic within a boot, unmoved by steps of the clock, and honest about events' times."""

import pytest

from laneproof.past.timeline import STEP_SECONDS, Timeline

START = 1_790_000_000.0
BOOT, NEXT_BOOT = "boot-1", "boot-2"


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


def test_a_new_boot_is_told_by_its_id_and_takes_the_time_that_the_machine_was_off() -> None:
    timeline = begun()
    step = timeline.advance(taken_at=START + 7200, up_seconds=100.0, boot_id=NEXT_BOOT)
    assert step.rebooted
    assert step.elapsed == 7200.0
    assert timeline.boots == 2
    assert timeline.booted_at == START + 7100
    assert timeline.watched_seconds == 0.0  # nobody watched meanwhile


def test_without_an_id_a_boot_is_told_by_the_time_since_boot() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=600.0, boot_id="")
    assert timeline.advance(taken_at=START + 600, up_seconds=60.0, boot_id="").rebooted
    assert not timeline.advance(taken_at=START + 660, up_seconds=120.0, boot_id="").rebooted


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


def test_a_recording_that_does_not_tell_the_time_since_boot_is_dated_by_its_events() -> None:
    timeline = Timeline()
    timeline.advance(taken_at=START, up_seconds=START, boot_id=BOOT)  # a recording without it: no box is up that long
    assert not timeline.up_is_told
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
