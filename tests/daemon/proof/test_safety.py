"""When a run must not begin, and when it must hold back or stop."""

import dataclasses
from typing import Any

import pytest

from boxes.proven_box import RISER_1, kelp, targets
from laneproof.proof.safety import find_reasons_against, give_orders
from laneproof.proof.targets import Target
from laneproof.proof.watched_pass import Occurrence, WatchedDrive, WatchedPass
from laneproof_collectors.snapshot import Array, HealthLog, Snapshot
from laneproof_collectors.unread import Unread

RECORD = targets().drives[0].record.model_copy(update={"warning_celsius": 70.0})
FIRST = dataclasses.replace(targets().drives[0], record=RECORD, critical_celsius=80.0)
DRIVES: tuple[Target, ...] = (FIRST, *targets().drives[1:])


def orders(drive: WatchedDrive, *, held: tuple[str, ...] = ()) -> tuple[str | None, bool, bool]:
    given = give_orders(WatchedPass(at=1.0, drives={RISER_1: drive}), DRIVES, held, frozenset())
    return given.stop_all, RISER_1 in given.stop, RISER_1 in given.hold_back


@pytest.mark.parametrize(
    ("celsius", "held", "expected"),
    [
        (69.0, (), (None, False, False)),
        (70.0, (), (None, False, True)),
        (68.0, (RISER_1,), (None, False, True)),
        (66.9, (RISER_1,), (None, False, False)),
        (80.0, (), (None, True, False)),
        (None, (), (None, False, False)),
    ],
)
def test_a_warm_drive_is_held_back_until_it_is_cooler_and_stopped_at_its_critical_limit(
    celsius: float | None, held: tuple[str, ...], expected: tuple[str | None, bool, bool]
) -> None:
    assert orders(WatchedDrive(celsius=celsius), held=held) == expected


def test_a_drive_with_a_critical_warning_is_stopped() -> None:
    assert orders(WatchedDrive(celsius=40.0, warning="a critical warning (0x04)")) == (None, True, False)


@pytest.mark.parametrize(
    ("reading", "why"),
    [
        (WatchedPass(at=1.0, drives={RISER_1: WatchedDrive(is_there=False)}), "riser-1 is gone"),
        (WatchedPass(at=1.0, occurrences=(Occurrence(name=RISER_1, kind="gone", text=""),)), "riser-1 is gone"),
        (WatchedPass(at=1.0, stopped_fans=frozenset({"board fan2", "board fan5"})), "the fan board fan5 stopped"),
        (WatchedPass(at=1.0, failed="could not read it"), "the watch failed: could not read it"),
    ],
)
def test_what_went_wrong_stops_everything(reading: WatchedPass, why: str) -> None:
    assert give_orders(reading, DRIVES, (), frozenset({"board fan2"})).stop_all == why


def with_array(**changes: Any) -> Snapshot:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.arrays, Unread)
    array: Array = dataclasses.replace(snapshot.arrays[0], **changes)
    return dataclasses.replace(snapshot, arrays=(array,))


def with_warning() -> Snapshot:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.controllers, Unread)
    health = snapshot.controllers[0].health
    assert isinstance(health, HealthLog)
    warned = dataclasses.replace(snapshot.controllers[0], health=dataclasses.replace(health, critical_warning=1))
    return dataclasses.replace(snapshot, controllers=(warned, *snapshot.controllers[1:]))


@pytest.mark.parametrize(
    ("snapshot", "why"),
    [
        (with_array(sync_action="recover"), "array md0 is busy: recover"),
        (with_array(sync_action="check"), "array md0 is busy: check"),
        (with_array(degraded=1), "array md0 lacks 1 of its members"),
        (with_array(degraded=Unread("degraded", "denied")), "whether array md0 is whole is not known"),
        (with_array(sync_action=Unread("sync_action", "denied")), "whether array md0 is busy is not known"),
        (with_warning(), "has a critical warning"),
        (dataclasses.replace(kelp().snapshot, arrays=Unread("/proc/mdstat", "gone")), "whether an array is whole"),
    ],
)
def test_a_run_is_refused(snapshot: Snapshot, why: str) -> None:
    assert any(why in reason for reason in find_reasons_against(snapshot, ()))


def test_a_sound_box_may_be_loaded() -> None:
    assert find_reasons_against(kelp().snapshot, ()) == ()
