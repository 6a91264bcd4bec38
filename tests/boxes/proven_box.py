"""Runs on the demo's box, with a machine that is made up: what is wrong with it is known."""

import functools
from collections.abc import Mapping
from typing import Any

from boxes.snapshot_box import SATA, Box, declare
from laneproof.box.placement import Arrangement, arrange
from laneproof.commands.inputs import load_build, open_recording
from laneproof.proof.judgement import Proof, ProvenPosition, judge
from laneproof.proof.plan import Mode, make_plan
from laneproof.proof.plan_execution import run_plan
from laneproof.proof.run_record import DriveRun, ProofRun, StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.simulated_machine import Fault, SimulatedMachine
from laneproof.proof.targets import Targets, find_targets
from laneproof.proof.watched_pass import WatchedDrive, WatchedPass
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


def run_box(
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
def disks(**facts: Any) -> Arrangement:
    """Two disks of one model on a SATA controller, the first with these facts, and a stick that somebody plugged in."""
    box = Box().with_port("0000:00/1c.0").with_device("0000:00/1c.0/00.0", class_code=SATA)
    for number, name in enumerate(("sda", "sdb"), start=1):
        box.with_sata_drive(f"0000:00/1c.0/00.0/ata-{number}", name=name, **(facts if name == "sda" else {}))
    box.with_sata_drive("0000:00/14.0/usb-3", name="sdc", interface="usb")
    bays = "".join(f'[[position]]\nlabel = "bay-{n}"\npath = "0000:00/1c.0/00.0/ata-{n}"\n' for n in (1, 2))
    return arrange(declare(bays), box.snapshot())


def run_disks(
    *, bad: tuple[int, int, int] = (100, 0, 0), stages: tuple[StageName, ...] = (StageName.ALONE,), **facts: Any
) -> ProofRun:
    """Read each of the disks alone for a minute.

    Args:
        bad: What the first one reads, MB a second, and how many failed transfers and new bad sectors it counts.
        stages: Those run.
        facts: Of the first one.
    """
    loaded = find_targets(disks(**facts))
    totals = RunTotals(loaded, make_plan(loaded, stages=stages))
    for at in range(61):
        counts = {"bay-1": (bad[0], bad[1] if at > 30 else 0, bad[2] if at > 30 else 0), "bay-2": (100, 0, 0)}
        drives = {
            name: WatchedDrive(read_bytes=rate * 10**6 * at, reads=rate * at, read_milliseconds=0, celsius=35.0,
                               transfer_errors=transfers, media_errors=sectors)
            for name, (rate, transfers, sectors) in counts.items()
        }  # fmt: skip
        totals.add(WatchedPass(at=float(at), drives=drives))
        if not at:
            totals.begin(StageName.ALONE, tuple(counts))
    return totals.finish(box="kelp-1", began_at=0.0)


@functools.cache
def sound_run() -> ProofRun:
    return run_box()


def position(proof: Proof | ProofRun, name: str) -> ProvenPosition:
    proven = judge(proof) if isinstance(proof, ProofRun) else proof
    return next(position for position in proven.positions if position.name == name)


def drive(run: ProofRun, name: str) -> DriveRun:
    return next(drive for drive in run.drives if drive.name == name)
