"""When each position was last proven, and that a run of one position takes nothing from the run of all."""

import dataclasses
from typing import Any

import pytest

from boxes.proven_box import RISER_3, kelp, run_box, sound_run
from laneproof.box.placement import Arrangement, arrange
from laneproof.proof.last_proven import LastRun, describe_last, find_latest
from laneproof.proof.run_record import ProofRun
from laneproof_collectors.unread import Unread


def with_controller(**changes: Any) -> Arrangement:
    controllers = kelp().snapshot.controllers
    assert not isinstance(controllers, Unread)
    first = dataclasses.replace(controllers[0], **changes)
    return arrange(kelp().build, dataclasses.replace(kelp().snapshot, controllers=(first, *controllers[1:])))


def describe(now: Arrangement, *runs: ProofRun) -> LastRun:
    last = describe_last(runs, now)
    assert last is not None
    return last


@pytest.mark.parametrize(
    ("now", "said"),
    [
        (kelp(), ""),
        (with_controller(serial="FP4K-26A-0999"), "another drive"),
        (with_controller(firmware="9.9"), "now 9.9"),
        (with_controller(state="dead"), "its drive is not there"),
    ],
)
def test_a_box_that_changed_since_is_not_proven_since(now: Arrangement, said: str) -> None:
    last = describe(now, sound_run())
    assert said in "; ".join(last.changed_since)
    assert bool(said) == bool(last.changed_since)


def alone(at: float, position: str = RISER_3) -> ProofRun:
    return run_box(only=position).model_copy(update={"began_at": at})


def test_a_run_of_one_position_stands_beside_the_last_one_of_all_until_there_is_a_newer_one() -> None:
    whole = sound_run().model_copy(update={"began_at": 100.0})
    first, second, other = alone(200.0), alone(300.0), alone(250.0, "riser-1")
    assert find_latest([second, first, whole, other]) == (whole, other, second)
    newer = whole.model_copy(update={"began_at": 400.0})
    assert find_latest([whole, first, newer]) == (newer,)


def test_a_part_that_was_changed_is_proven_again_by_a_run_of_its_position() -> None:
    """After a new cable only its position has to be proven again, and the sentence says what was proven when."""
    before = sound_run().model_copy(update={"parts": sound_run().parts | {RISER_3: "passive-split"}})
    last = describe(kelp(), before)
    assert last.changed_since == ("riser-3: other parts between",)
    last = describe(kelp(), before, alone(before.began_at + 3600.0))
    assert last.changed_since == ()
    assert [(run.position, run.verdict) for run in last.alone] == [(RISER_3, "holds")]
    assert "(default): holds; riser-3 alone on 2026-11-18 12:06 UTC (" in last.sentence


def test_where_only_one_position_was_ever_proven_that_is_said() -> None:
    last = describe(kelp(), alone(100.0))
    assert last.mode == "default, riser-3 alone"
    assert "riser-1: it was not in that run" in last.changed_since
    assert describe_last((), kelp()) is None
