"""Waiting ends when another drive is there and has settled, or when the time is over; it only reads."""

import pytest

from boxes.recorded_box import PassingTime, Turn, live_through, make_box, put, record_lines, stand
from laneproof.commands.drive_arrival import POLL_SECONDS, wait_for_drive
from simulation.hardware import Drive

PATH = "0000:00/01.2"


def play(*turns: Turn) -> PassingTime:
    """Play a box: as built, then after each turn, a poll apart."""
    return live_through(record_lines(make_box(2), stand, *turns, every=POLL_SECONDS))


def fit(serial: str, *, state: str = "live") -> Turn:
    return put(Drive(serial=serial, state=state))


PULL = put(None)


def wait(host: PassingTime, was: str | None = "A2", *, timeout: float = 100.0) -> tuple[bool, float, list[str]]:
    reported: list[str] = []
    came = wait_for_drive(host, PATH, was, timeout_seconds=timeout, report=reported.append)
    return came, host.clock().up_seconds - 60.0, reported


def test_another_drive_is_waited_for_and_given_time_to_settle() -> None:
    came, seconds, found = wait(play(stand, PULL, PULL, fit("B7")))
    assert came
    assert seconds == 6 * POLL_SECONDS  # there at the fourth look, and the same at the two after
    assert found == ["the position is empty", "a drive is there; it is given time to settle"]


def test_drive_that_is_still_starting_is_not_ready() -> None:
    came, seconds, _ = wait(play(PULL, fit("B7", state="connecting"), fit("B7", state="connecting"), fit("B7")))
    assert came
    assert seconds == 6 * POLL_SECONDS


def test_drive_that_never_settles_is_judged_all_the_same() -> None:
    flapping = [fit("B7", state=state) for _ in range(40) for state in ("connecting", "live")]
    came, seconds, _ = wait(play(PULL, *flapping), timeout=1000.0)
    assert came
    assert seconds == pytest.approx(60.0, abs=3 * POLL_SECONDS)


def test_same_drive_back_in_its_position_ends_the_waiting_too() -> None:
    assert wait(play(PULL, fit("A2")))[0]


def test_drive_that_stays_is_not_the_new_one() -> None:
    came, seconds, found = wait(play(stand), timeout=20.0)
    assert (came, seconds, found) == (False, 20.0, [])


def test_position_that_stays_empty_ends_with_the_time() -> None:
    came, seconds, found = wait(play(PULL), timeout=10.0)
    assert (came, found) == (False, ["the position is empty"])
    assert seconds == 10.0


def test_where_none_was_any_drive_is_the_new_one() -> None:
    assert wait(play(stand), was=None)[0]


def test_drive_in_another_position_is_not_waited_for() -> None:
    assert not wait(play(put(Drive(serial="B7"), port=0)), timeout=10.0)[0]
