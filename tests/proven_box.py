"""Runs on the demo's box, with a machine that is made up: what is wrong with it is known."""

import functools
from collections.abc import Mapping

from laneproof.box.placement import Arrangement, arrange
from laneproof.commands.inputs import load_build, open_recording
from laneproof.proof.judgement import Proof, ProvenPosition, judge
from laneproof.proof.plan import Mode, make_plan
from laneproof.proof.plan_execution import run_plan
from laneproof.proof.run_record import DriveRun, ProofRun, StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.simulated_machine import Fault, SimulatedMachine
from laneproof.proof.targets import Targets, find_targets
from laneproof_collectors.collection import read_snapshot

RISER_1, RISER_3 = "riser-1", "riser-3"


@functools.cache
def kelp() -> Arrangement:
    """The demo's declaration over its first frame, when all was well."""
    with open_recording(None, demo=True) as recording:
        host = recording.host()
        host.advance()
        return arrange(load_build(None, demo=True), read_snapshot(host))


@functools.cache
def targets(only: str | None = None) -> Targets:
    return find_targets(kelp(), only=only)


def run_box(  # noqa: PLR0913 (the knobs of a run)
    faults: Mapping[str, Fault] | None = None,
    *,
    mode: Mode = "default",
    seed: int = 1,
    only: str | None = None,
    together: frozenset[str] = frozenset(),
    stages: tuple[StageName, ...] = tuple(StageName),
    is_virtual: bool = False,
) -> ProofRun:
    loaded = targets(only)
    totals = RunTotals(loaded, make_plan(loaded, mode, stages=stages, is_virtual=is_virtual))
    machine = SimulatedMachine(loaded, faults or {}, seed=seed, together=together)
    stopped = run_plan(machine, totals, lambda *_: None)
    return totals.finish(box="kelp-1", began_at=1_795_000_000.0, is_virtual=is_virtual, stopped=stopped)


@functools.cache
def sound_run() -> ProofRun:
    return run_box()


def position(proof: Proof | ProofRun, name: str) -> ProvenPosition:
    proven = judge(proof) if isinstance(proof, ProofRun) else proof
    return next(position for position in proven.positions if position.name == name)


def drive(run: ProofRun, name: str) -> DriveRun:
    return next(drive for drive in run.drives if drive.name == name)
