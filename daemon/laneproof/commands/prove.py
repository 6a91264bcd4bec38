"""``laneproof prove``: load the box in stages, reading only, watch it, and say what that proves."""

import argparse
import json
import os
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from shutil import get_terminal_size

from laneproof.box.placement import Arrangement, arrange
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, open_host, open_recording
from laneproof.commands.kept_runs import announce_run, keep_run, load_run
from laneproof.commands.proof_machine import DEADLINE_SECONDS, LiveProofMachine, stop_on_signals
from laneproof.commands.terminal import find_style, guard, show, show_json, write
from laneproof.commands.whole_file import check_folder_of, write_whole
from laneproof.declaration.units import parse_rate
from laneproof.engine import Engine
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.prove_json import as_json
from laneproof.outputs.prove_text import write_compared, write_line, write_now, write_plan, write_proof
from laneproof.outputs.text_style import Style, printable
from laneproof.proof.comparison import compare_runs
from laneproof.proof.judgement import judge
from laneproof.proof.plan import Mode, Plan, RunStep, make_plan
from laneproof.proof.plan_execution import Show, WroteError, run_plan
from laneproof.proof.run_record import ProofRun, StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.safety import find_reasons_against
from laneproof.proof.targets import Targets, find_targets
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.fio import find_program
from laneproof_collectors.firmware import read_hypervisor
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

STATUS = {"holds": 0, "differs": 1, "unverified": 2}
LINE_SECONDS = 30.0
"""How often a line is written where there is no terminal."""
LONGEST_SHARE = 1.5
"""What a run may take of the time that it was planned to, for the daemon."""
DEMO_POSITION, DEMO_SECONDS = "riser-3", 60.0
"""Which position fails in the demo, and how long the demo takes on a terminal."""


def run(arguments: argparse.Namespace) -> int:
    """Prove this machine; the exit status is the verdict."""
    style = find_style(arguments.width)
    if arguments.compare:
        return _compare(arguments, style)
    if arguments.output:
        check_folder_of(arguments.output)
    done = _prove_demo(arguments, style) if arguments.demo else _prove(arguments, style)
    if done is None:
        return STATUS["differs"]
    proof = judge(done)
    report = as_json(done, proof)
    with ExitStack() as each:  # where one of them fails, the others happen all the same
        if arguments.json:
            each.callback(show_json, report)
        else:
            each.callback(show, "\n" + write_proof(done, proof, style))
        if arguments.output:
            each.callback(write_whole, arguments.output, json.dumps(report, indent=2) + "\n")
        is_kept = not arguments.demo and keep_run(arguments.state, done, proof)
    if not (is_kept or arguments.output or arguments.demo or arguments.json):
        show("\nThis run is kept nowhere: there is no history of 'laneproof serve'; -o FILE writes it.\n")
    return STATUS[proof.verdict]


def _compare(arguments: argparse.Namespace, style: Style) -> int:
    """Tell what became of each position from one run to the other."""
    before, after = (load_run(name, arguments.state) for name in arguments.compare)
    compared = compare_runs(before, after)
    if arguments.json:
        show_json({"schema": 1, "positions": [position.model_dump(mode="json") for position in compared]})
    else:
        show(write_compared(before, after, compared, style))
    return os.EX_OK


def _prove(arguments: argparse.Namespace, style: Style) -> ProofRun | None:
    """Run on this machine; None where it is refused."""
    build = load_build(arguments.build)
    programs = {name: _find(name) for name in ("fio", "setpriv")}
    with open_host(None) as patient:
        snapshot = read_snapshot(patient)
    host = LiveHost(deadline_seconds=DEADLINE_SECONDS)
    try:
        arrangement = arrange(build, snapshot)
        targets = _find_targets(arrangement, arguments.only)
        is_virtual = read_hypervisor(host)
        plan = _make_plan(arguments, targets, is_virtual=None if isinstance(is_virtual, Unread) else is_virtual)
        say = _choose_stream(arguments)
        say(write_plan(name_box(build, snapshot), plan, style))
        reasons = find_reasons_against(snapshot, Engine(build).observe(snapshot).findings)
        if reasons and not arguments.although:
            advice = "nothing was loaded; --although REASON runs it all the same, and keeps the reason"
            print(f"laneproof: {'; '.join(reasons)}: {advice}", file=sys.stderr)  # noqa: T201 (a command speaks)
            return None
        machine = LiveProofMachine(host, build, targets, rate_bytes=plan.rate_bytes, **programs)
        totals = RunTotals(targets, plan)
        longest = plan.seconds * LONGEST_SHARE
        with announce_run(arguments.state, now=snapshot.taken_at, seconds=longest), stop_on_signals(machine):
            stopped = _run_to_its_end(machine, totals, _make_show(style, say))
        return totals.finish(
            box=name_box(build, snapshot),
            began_at=snapshot.taken_at,
            kernel=_find_kernel(snapshot),
            is_virtual=is_virtual is True,
            although=arguments.although if reasons else None,
            stopped=stopped,
        )
    finally:
        host.close()


def _prove_demo(arguments: argparse.Namespace, style: Style) -> ProofRun:
    """Show a run of the demo's box, as it was when its flexible cable began to fail."""
    from laneproof.proof.simulated_machine import Fault, SimulatedMachine

    build = load_build(None, demo=True)
    with open_recording(None, demo=True) as recording:
        host = recording.host()
        host.advance()
        snapshot = read_snapshot(host)
    targets = _find_targets(arrange(build, snapshot), arguments.only, is_demo=True)
    plan = _make_plan(arguments, targets, is_virtual=False)
    say = _choose_stream(arguments)
    say(write_plan(name_box(build, snapshot), plan, style))
    totals, show_second = RunTotals(targets, plan), _make_show(style, say)

    def show_at_speed(so_far: RunTotals, step: RunStep, seconds_left: float) -> None:
        show_second(so_far, step, seconds_left)
        if isinstance(show_second, _Screen):
            time.sleep(DEMO_SECONDS / plan.seconds)

    run_plan(SimulatedMachine(targets, {DEMO_POSITION: Fault(errors_per_bit=2e-12)}, seed=1), totals, show_at_speed)
    return totals.finish(box=name_box(build, snapshot), began_at=snapshot.taken_at, kernel=_find_kernel(snapshot))


def _run_to_its_end(machine: LiveProofMachine, totals: RunTotals, show_second: Show) -> str | None:
    try:
        return run_plan(machine, totals, show_second)
    except WroteError as error:
        raise CommandError(f"a fault of the program: {error}; please report it", status=os.EX_SOFTWARE) from error


def _find(program: str) -> str:
    found = find_program(program)
    if isinstance(found, Unread):
        package = "util-linux" if program == "setpriv" else program
        message = f"{program} is not installed, and it makes the load; install the package {package}"
        raise CommandError(message, status=os.EX_UNAVAILABLE)
    return found


def _find_targets(arrangement: Arrangement, only: str | None, *, is_demo: bool = False) -> Targets:
    targets = find_targets(arrangement, only=only)
    if not targets.drives:
        left_out = "; ".join(targets.left_out)
        if only is not None and not left_out:
            message = f"there is no drive in a position called {only!r}"
            raise CommandError(f"{message}; 'laneproof where' finds positions", status=os.EX_USAGE)
        raise CommandError(f"there is no drive to load{f': {left_out}' if left_out else ''}", status=os.EX_UNAVAILABLE)
    for target in () if is_demo else targets.drives:
        if not os.access(f"/dev/{target.disk}", os.R_OK):
            raise CommandError(f"/dev/{target.disk} cannot be read; run as root", status=os.EX_NOPERM)
    return targets


def _make_plan(arguments: argparse.Namespace, targets: Targets, *, is_virtual: bool | None) -> Plan:
    try:
        stages = [StageName(word.strip()) for word in arguments.stages.split(",")] if arguments.stages else [*StageName]
        rate = parse_rate(arguments.rate) if arguments.rate else None
    except ValueError as error:
        hint = f"; stages are {', '.join(StageName)}" if "StageName" in str(error) else ""
        raise CommandError(f"{error}{hint}", status=os.EX_USAGE) from error
    mode: Mode = "quick" if arguments.quick else "thorough" if arguments.thorough else "default"
    return make_plan(targets, mode, stages=stages, rate_bytes=rate, is_virtual=is_virtual)


def _find_kernel(snapshot: Snapshot) -> str:
    firmware = snapshot.firmware
    release = None if isinstance(firmware, Unread) else firmware.kernel_release
    return release if isinstance(release, str) else ""


# --- meanwhile --------------------------------------------------------------------------------------------------------


def _choose_stream(arguments: argparse.Namespace) -> Callable[[str], None]:
    """Choose where the plan and the progress go: with ``--json`` not to standard output."""
    if not arguments.json:
        return show

    def say(text: str) -> None:
        sys.stderr.write(printable(text, keep="\n"))
        sys.stderr.flush()

    return say


def _make_show(style: Style, say: Callable[[str], None]) -> Show:
    """Show each second on a terminal in the same lines, elsewhere a plain line now and then."""
    if say is show and sys.stdout.isatty() and os.environ.get("TERM") != "dumb":
        return _Screen(style)
    return _Lines(say)


class _Screen:
    """A few lines of a terminal, written over each second: nothing is cleared first, so nothing flickers."""

    def __init__(self, style: Style) -> None:
        self._style, self._height = style, 0

    def __call__(self, totals: RunTotals, step: RunStep, seconds_left: float) -> None:
        rows = max(get_terminal_size().lines - 2, 2)  # what is above the screen cannot be written over
        lines = write_now(totals, step, seconds_left, self._style)[:rows]
        up = f"\x1b[{self._height}A" if self._height else "\n"
        write(up + "".join(f"{guard(line)}\x1b[K\n" for line in lines))
        self._height = len(lines)


class _Lines:
    """A line at each step's first second, and then now and then."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say, self._said_at = say, 0.0
        self._step: RunStep | None = None

    def __call__(self, totals: RunTotals, step: RunStep, seconds_left: float) -> None:
        at = totals.at or 0.0
        if step is not self._step or at - self._said_at >= LINE_SECONDS:
            self._step, self._said_at = step, at
            self._say(write_line(totals, step, seconds_left) + "\n")
