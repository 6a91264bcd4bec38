"""Waiting ends when another drive is there and has settled, or when the time is over; it only reads."""

from collections.abc import Callable

import pytest

from boxes.recorded_box import PassingTime
from laneproof.commands.drive_arrival import POLL_SECONDS, wait_for_drive
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port

PATH = "0000:00/01.2"


Turn = Callable[[SimulatedBox], None]


def play(*turns: Turn) -> PassingTime:
    """Play a box: as built, then after each turn, a poll apart."""
    box = SimulatedBox(ports=[Port(hop="01.1", drive=Drive(serial="A1")), Port(hop="01.2", drive=Drive(serial="A2"))])
    writer = RecordingWriter(box)

    for number, turn in enumerate((stay, *turns)):
        turn(box)
        writer.take(box, t=1000.0 + POLL_SECONDS * number, up=100.0 + POLL_SECONDS * number)
    header, *rest = writer.lines
    host = PassingTime(parse_header(header), parse_frames(rest))
    host.advance()
    return host


def stay(_box: SimulatedBox) -> None:
    """Nothing happens."""


def pull(box: SimulatedBox) -> None:
    box.ports[1].drive = None


def fit(serial: str, *, state: str = "live") -> Turn:
    def turn(box: SimulatedBox) -> None:
        box.ports[1].drive = Drive(serial=serial, state=state)

    return turn


def wait(host: PassingTime, was: str | None = "A2", *, timeout: float = 100.0) -> tuple[bool, float, list[str]]:
    reported: list[str] = []
    came = wait_for_drive(host, PATH, was, timeout_seconds=timeout, report=reported.append)
    return came, host.clock().up_seconds - 100.0, reported


def test_another_drive_is_waited_for_and_given_time_to_settle() -> None:
    came, seconds, found = wait(play(stay, pull, pull, fit("B7")))
    assert came
    assert seconds == 6 * POLL_SECONDS  # there at the fourth look, and the same at the two after
    assert found == ["the position is empty", "a drive is there; it is given time to settle"]


def test_drive_that_is_still_starting_is_not_ready() -> None:
    came, seconds, _ = wait(play(pull, fit("B7", state="connecting"), fit("B7", state="connecting"), fit("B7")))
    assert came
    assert seconds == 6 * POLL_SECONDS


def test_drive_that_never_settles_is_judged_all_the_same() -> None:
    flapping = [fit("B7", state=state) for _ in range(40) for state in ("connecting", "live")]
    came, seconds, _ = wait(play(pull, *flapping), timeout=1000.0)
    assert came
    assert seconds == pytest.approx(60.0, abs=3 * POLL_SECONDS)


def test_same_drive_back_in_its_position_ends_the_waiting_too() -> None:
    assert wait(play(pull, fit("A2")))[0]


def test_drive_that_stays_is_not_the_new_one() -> None:
    came, seconds, found = wait(play(stay), timeout=20.0)
    assert (came, seconds, found) == (False, 20.0, [])


def test_position_that_stays_empty_ends_with_the_time() -> None:
    came, seconds, found = wait(play(pull), timeout=10.0)
    assert (came, found) == (False, ["the position is empty"])
    assert seconds == 10.0


def test_where_none_was_any_drive_is_the_new_one() -> None:
    assert wait(play(stay), was=None)[0]


def test_drive_in_another_position_is_not_waited_for() -> None:
    def swap_first(box: SimulatedBox) -> None:
        box.ports[0].drive = Drive(serial="B7")

    assert not wait(play(swap_first), timeout=10.0)[0]
