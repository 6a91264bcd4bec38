"""This machine under load: a real fio on a plain file, watched through a recording."""

import dataclasses
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from boxes.proven_box import RISER_1, kelp, targets
from laneproof.commands import proof_machine
from laneproof.commands.inputs import open_recording
from laneproof.commands.proof_machine import LiveProofMachine, stop_on_signals
from laneproof.proof.plan import RunStep, make_plan
from laneproof.proof.plan_execution import run_plan
from laneproof.proof.run_record import StageName
from laneproof.proof.run_totals import STARTING_SECONDS, RunTotals
from laneproof.proof.targets import Rest, Targets
from laneproof_collectors.fio import Job, find_program
from laneproof_collectors.unread import Unread

FIO, SETPRIV = find_program("fio"), find_program("setpriv")
pytestmark = pytest.mark.skipif(
    isinstance(FIO, Unread) or isinstance(SETPRIV, Unread), reason="fio or setpriv is not installed"
)


@pytest.fixture
def loaded() -> Targets:
    known = targets(RISER_1)
    return dataclasses.replace(known, drives=(dataclasses.replace(known.drives[0], rest=Rest(idle_seconds=0.2)),))


@pytest.fixture
def disk(loaded: Targets, tmp_path: Path) -> Path:
    file = tmp_path / loaded.drives[0].disk
    file.write_bytes(b"kelp" * (1 << 20))
    return file


@pytest.fixture
def machine(loaded: Targets, disk: Path) -> Iterator[LiveProofMachine]:
    with open_recording(None, demo=True) as recording:
        host = recording.host()
        host.advance()
        programs = {"fio": str(FIO), "setpriv": str(SETPRIV)}
        made = LiveProofMachine(host, kelp().build, loaded, **programs, rate_bytes=None, devices=str(disk.parent))
        yield made
        made.end()


def test_a_run_of_every_stage_reads_the_disk_and_leaves_it_as_it_was(
    loaded: Targets, machine: LiveProofMachine, disk: Path
) -> None:
    before = disk.read_bytes()
    plan = make_plan(loaded, "quick")
    steps = tuple(dataclasses.replace(step, seconds=2.0) for step in plan.steps)
    totals = RunTotals(loaded, dataclasses.replace(plan, steps=steps))
    assert run_plan(machine, totals, lambda *_: None) is None
    run = totals.finish(box="kelp-1", began_at=0.0)
    assert [stage.name for stage in run.stages] == ["rest", "alone", "small", "wake"]
    assert run.drives[0].small_read_us is not None
    assert run.drives[0].wake is not None
    assert run.drives[0].wake.reads >= 1
    assert run.links[0].trained_lanes == 4
    assert not run.happenings
    assert disk.read_bytes() == before


def test_each_stage_has_its_load(machine: LiveProofMachine, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs: list[Job] = []
    monkeypatch.setattr(proof_machine, "Load", lambda job, **_: jobs.append(job))
    for stage in (StageName.ALONE, StageName.SMALL, StageName.WAKE):
        machine.start(RunStep(stage=stage, seconds=60.0, drives=(RISER_1,)), (RISER_1,))
    machine._loads.clear()
    assert [(job.is_random, job.block_bytes, job.depth, job.pause_microseconds) for job in jobs] == [
        (False, 1 << 20, 16, 0),
        (True, 4096, 32, 0),
        (True, 4096, 1, 200_000),  # one at a time, or the drive gets no rest
    ]
    assert min(job.seconds for job in jobs) >= 60 + STARTING_SECONDS  # until then a load may begin


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_load_at_once(machine: LiveProofMachine, number: signal.Signals) -> None:
    with stop_on_signals(machine):
        machine.start(RunStep(stage=StageName.ALONE, seconds=60.0, drives=(RISER_1,)), (RISER_1,))
        signal.raise_signal(number)
        assert machine.asked_to_stop is not None
        machine.watch_next(quiet=True)
        assert machine.end().keys() == {RISER_1}
    machine.start(RunStep(stage=StageName.ALONE, seconds=60.0, drives=(RISER_1,)), (RISER_1,))
    assert machine.has_ended()  # nothing is started any more


def test_a_load_that_is_held_back_stands_still_and_goes_on_later(machine: LiveProofMachine) -> None:
    machine.start(RunStep(stage=StageName.ALONE, seconds=60.0, drives=(RISER_1,)), (RISER_1,))
    state = Path("/proc", str(machine._loads[RISER_1].process_id), "stat")
    machine.hold_back((RISER_1,))
    machine.watch_next(quiet=True)
    assert state.read_text().rpartition(")")[2].split()[0] == "T"
    machine.hold_back(())
    machine.watch_next(quiet=True)
    assert state.read_text().rpartition(")")[2].split()[0] != "T"
    assert not machine.has_ended()
