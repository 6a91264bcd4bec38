"""The run itself: step after step, second after second, until it is done or something says stop.

It asks and orders a machine, which may be this one or a made-up one; it reads no clock and starts no program itself.
"""

from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from laneproof.proof.plan import RunStep
from laneproof.proof.run_record import LOADED, StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.safety import give_orders
from laneproof.proof.watched_pass import WatchedPass
from laneproof_collectors.fio import LoadResult
from laneproof_collectors.unread import Unread

QUIET = (StageName.REST, StageName.WAKE)
"""Stages in which drives are left alone: a command would wake them."""

Show = Callable[[RunTotals, RunStep, float], None]
"""Shows one second: what adds up, the step, and the seconds that are left of it."""


class WroteError(Exception):
    """A load wrote something: a fault of the program, and the end of the run."""


class ProofMachine(Protocol):
    """What a run needs of a machine."""

    @property
    def asked_to_stop(self) -> str | None:
        """Who asked that the run end now, in words; None where nobody did."""

    def start(self, step: RunStep, names: Collection[str]) -> None:
        """Start a step's loads."""

    def watch_next(self, *, quiet: bool) -> WatchedPass:
        """Wait for the next second and read it; a quiet pass sends no drive a command."""

    def hold_back(self, names: Collection[str]) -> None:
        """Let the loads of these drives rest, and no others."""

    def stop(self, names: Collection[str]) -> None:
        """End the loads of these drives."""

    def has_ended(self) -> bool:
        """Whether all loads of the step have ended by themselves."""

    def end(self) -> Mapping[str, LoadResult | Unread]:
        """End what still runs, and give the accounts by drive."""


def run_plan(machine: ProofMachine, totals: RunTotals, show: Show) -> str | None:
    """Go through a plan.

    Returns:
        Why it ended before its time; None where it did not.

    Raises:
        WroteError: A load wrote.
    """
    first = machine.watch_next(quiet=False)
    totals.add(first)
    for step in totals.plan.steps:
        names = tuple(name for name in step.drives if not totals.is_stopped(name))
        if step.drives and not names:
            continue
        totals.begin(step.stage, names)
        try:
            machine.start(step, names)
            reason = _run_step(machine, totals, step, first, show)
        finally:
            results = machine.end()
        for target in totals.targets.drives:
            result = results.get(target.name)
            if isinstance(result, LoadResult):
                if result.written_bytes:
                    raise WroteError(f"the load on {target.name} wrote {result.written_bytes} bytes")
                totals.add_result(target, result)
        if reason is not None:
            return reason
    return None


def _run_step(
    machine: ProofMachine,
    totals: RunTotals,
    step: RunStep,
    first: WatchedPass,
    show: Show,
) -> str | None:
    at = began = first.at if totals.at is None else totals.at
    quiet = step.stage in QUIET
    is_over = False
    fans_standing_at_load_start: frozenset[str] | None = None
    while not is_over:
        is_over = at - began >= step.seconds or (step.stage is StageName.HEAT and totals.is_soaked())
        is_over = is_over or bool(step.drives and machine.has_ended())
        watched = machine.watch_next(quiet=quiet and not is_over)  # the last one of a quiet step reads all
        at = watched.at
        totals.add(watched)
        if step.stage in LOADED and totals.is_starting():
            began = at  # the step's time begins when data flow: a slow machine shows as much as a fast one
        # a fan that rests while nothing is loaded stops nothing, nor one that stood still as the load began
        if fans_standing_at_load_start is None or step.stage not in LOADED:
            fans_standing_at_load_start = watched.stopped_fans
        may_stand = fans_standing_at_load_start | first.stopped_fans
        orders = give_orders(watched, totals.targets.drives, totals.held_back, may_stand)
        if reason := machine.asked_to_stop or orders.stop_all:
            return reason  # before anything is shown: the terminal may be gone
        show(totals, step, max(0.0, began + step.seconds - at))
        loaded = [name for name in orders.stop if name in totals.loaded]
        for name in loaded:
            totals.stop_drive(name, orders.stop[name])
        machine.stop(loaded)
        totals.held_back = frozenset(name for name in orders.hold_back if name in totals.loaded)
        machine.hold_back(totals.held_back)
    return None
