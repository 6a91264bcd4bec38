"""Boots, stretches of watching, and clocks that are set."""

from pathlib import Path

import pytest

from boxes.passes import FIRST_BOOT, SECOND_BOOT, Passes, events_of
from boxes.snapshot_box import A_MORNING
from laneproof.history.boots import HOLE_SECONDS
from laneproof.history.series import Series
from laneproof.history.store import Store


def _heat(store: Store) -> Series:
    (series,) = store.read_series(drive="FN0001", names=("composite_temperature_celsius",))
    return series


def _warm(passes: Passes, celsius: float) -> Passes:
    return passes.drive(0, health={"composite_temperature_celsius": celsius})


def _course(series: Series) -> list[tuple[float, float | None]]:
    return [(round(point.began_at - A_MORNING), point.last) for point in series.points]


def test_each_boot_is_kept_once_with_what_it_ran(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.after(60))
    store.add_pass(passes.reboot(SECOND_BOOT, bios_version="1.41").take())
    assert [event.text for event in events_of(store, "booted")] == [
        "the machine was started: kernel 6.12.9-station, BIOS 1.40",
        "the machine was started: kernel 6.12.9-station, BIOS 1.41",
    ]
    assert events_of(store, "booted")[1].t == passes.t - passes.up


def test_a_boot_whose_board_answers_late_is_one_boot(store: Store, passes: Passes) -> None:
    found = passes.facts.firmware
    store.add_pass(passes.unread("firmware").take())
    assert events_of(store, "booted")[0].text == "the machine was started"
    store.add_pass(passes.wait(15).set(firmware=found).take())
    store.add_pass(passes.wait(15).unread("firmware").take())
    assert len(events_of(store, "booted")) == 1
    assert {series.boot_id for series in store.read_series()} == {None, FIRST_BOOT}


def test_without_a_boot_id_time_since_boot_that_fell_is_a_new_boot(store: Store, passes: Passes) -> None:
    passes.unread("firmware").errors("0000:00/01.1", BadTLP=3)
    store.add_pass(passes.take())
    passes.t += 300
    passes.up = 30.0
    store.add_pass(passes.take())
    assert len(events_of(store, "booted")) == 2
    assert len(store.read_series(names=("correctable_errors",), end="port")) == 2


def test_a_restart_of_the_daemon_goes_on_with_the_boot(tmp_path: Path) -> None:
    path, passes = str(tmp_path / "history.db"), Passes()
    for _ in range(2):
        store = Store.open(path)
        store.add_pass(passes.wait(30).take())
        store.close()
    store = Store.open(path)
    assert len(events_of(store, "booted")) == 1
    assert len(store.read_series(path="0000:00/01.1", end="port", names=("trained_lanes",))) == 1
    assert all(point.low is not None for point in _heat(store).points)  # half a minute is no gap
    store.close()


def test_a_daemon_that_was_off_leaves_a_gap(tmp_path: Path) -> None:
    path, passes = str(tmp_path / "history.db"), Passes()
    store = Store.open(path)
    store.add_pass(passes.take())
    store.close()
    store = Store.open(path)
    passes.wait(HOLE_SECONDS + 60)
    store.add_pass(passes.take())
    assert _course(_heat(store)) == [(0, 38), (0, None), (960, 38)]
    store.close()


@pytest.mark.parametrize(
    ("apart", "hole_seconds", "course"),
    [
        (HOLE_SECONDS, HOLE_SECONDS, [(0, 38)]),
        (HOLE_SECONDS + 1, HOLE_SECONDS, [(0, 38), (0, None), (901, 38)]),  # the machine slept
        (30 * 86400, float("inf"), [(0, 38), (30 * 86400, 38)]),  # a replay; written again after a month
    ],
)
def test_passes_too_far_apart_leave_a_gap(
    apart: float, hole_seconds: float, course: list[tuple[float, float | None]]
) -> None:
    store, passes = Store.open(":memory:", hole_seconds=hole_seconds), Passes()
    store.add_pass(passes.take())
    store.add_pass(passes.drive(0).after(apart))
    assert _course(_heat(store)) == course


def test_a_boot_leaves_a_gap_from_the_last_pass_to_the_first(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.after(60))
    store.add_pass(passes.reboot(off_seconds=7200).take())
    assert _course(_heat(store)) == [(0, 38), (60, None), (7260, 38)]


# --- clocks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [-7200.0, 7200.0, -56 * 365 * 86400.0])
def test_a_clock_that_is_set_dates_again_what_was_noted_by_the_wrong_one(
    store: Store, passes: Passes, step: float
) -> None:
    for number in range(4):
        store.add_pass(_warm(passes.wait(60), 40.0 + 5 * number).take())
    passes.t += step
    store.add_pass(_warm(passes.wait(60), 70.0).take())
    true_morning = A_MORNING + step
    course = [(round(point.began_at - true_morning), point.last) for point in _heat(store).points]
    assert course == [(60, 40), (120, 45), (180, 50), (240, 55), (300, 70)]
    (event,) = events_of(store, "clock_stepped")
    assert f"set {'on' if step > 0 else 'back'} by {abs(step):.0f} s" in event.text
    (booted,) = events_of(store, "booted")
    assert booted.t == pytest.approx(true_morning - 100)
    assert store.inventory_at(true_morning + 61) is not None


def test_a_step_back_corrupts_no_counter(store: Store, passes: Passes) -> None:
    for number in range(10):
        passes.wait(60)
        if number == 5:
            passes.t -= 10_000
        store.add_pass(passes.drive(0, health={"media_errors": number}).take())
    (series,) = store.read_series(drive="FN0001", names=("media_errors",))
    assert [point.last for point in series.points] == list(range(10))
    times = [point.began_at for point in series.points]
    assert times == sorted(times)


def test_a_clock_that_is_set_while_the_daemon_is_off_is_noticed(tmp_path: Path) -> None:
    path, passes = str(tmp_path / "history.db"), Passes()
    store = Store.open(path)
    store.add_pass(passes.take())
    store.close()
    store = Store.open(path)
    passes.t += 5000
    store.add_pass(_warm(passes.wait(60), 50.0).take())
    assert _course(_heat(store)) == [(5000, 38), (5060, 50)]
    store.close()


def test_a_clock_that_was_set_while_the_machine_slept(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.after(60))
    passes.t += 5000
    store.add_pass(passes.after(HOLE_SECONDS + 60))
    assert _course(_heat(store)) == [(5000, 38), (5060, None), (6020, 38)]


def test_daily_correction_is_no_step(store: Store, passes: Passes) -> None:
    for _ in range(50):
        passes.t += 5.0  # 5 s in a minute, far more than a clock is ever slewed by
        store.add_pass(passes.after(60))
    assert events_of(store, "clock_stepped") == []


def test_a_recording_without_time_since_boot_has_no_steps() -> None:
    # What such a recording's host gives is the sum of the steps forward: see laneproof_collectors.recorded_host.
    store, passes = Store.open(":memory:"), Passes()
    store.add_pass(_warm(passes, 40.0).take())
    passes.t -= 5000
    store.add_pass(_warm(passes, 50.0).take())
    assert events_of(store, "clock_stepped") == []
    assert [point.last for point in _heat(store).points] == [40, 50]


def test_a_wrong_clock_of_an_earlier_boot_stays_wrong_and_in_order(store: Store, passes: Passes) -> None:
    store.add_pass(_warm(passes, 40.0).take())
    passes.t = 1_000.0  # a board without a battery
    store.add_pass(_warm(passes.reboot(SECOND_BOOT), 45.0).take())
    passes.t = A_MORNING + 500
    third = "0b5e55ed-0000-4000-8000-000000000003"
    store.add_pass(_warm(passes.reboot(third), 50.0).take())
    assert [point.last for point in _heat(store).points if point.low is not None] == [40, 45, 50]
