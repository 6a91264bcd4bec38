"""The run itself: step after step, second after second, until it is done or something says stop.

It asks and orders a machine, which may be this one or a made-up one; it reads no clock and starts no program itself.
"""

from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from laneproof.proof.guard import give_orders
from laneproof.proof.ongoing import OngoingRun
from laneproof.proof.plan import Step
from laneproof.proof.reading import Reading
from laneproof.proof.record import LOADED, StageName
from laneproof_collectors.fio import LoadResult
from laneproof_collectors.unread import Unread

QUIET = (StageName.REST, StageName.WAKE)
"""Stages in which drives are left alone: a reading of theirs would wake them."""

Show = Callable[[OngoingRun, Step, float], None]
"""Shows one second: what adds up, the step, and the seconds that are left of it."""


class WroteError(Exception):
    """A load wrote something: a fault of the program, and the end of the run."""


class ProofMachine(Protocol):
    """What a run needs of a machine."""

    @property
    def asked_to_stop(self) -> str | None:
        """Who asked that the run end now, in words; None where nobody did."""

    def start(self, step: Step, names: Collection[str]) -> None:
        """Start a step's loads."""

    def read_next(self, *, quiet: bool) -> Reading:
        """Wait for the next second and read it; a quiet reading sends no drive a command."""

    def hold_back(self, names: Collection[str]) -> None:
        """Let the loads of these drives rest, and no others."""

    def stop(self, names: Collection[str]) -> None:
        """End the loads of these drives."""

    def has_ended(self) -> bool:
        """Whether all loads of the step have ended by themselves."""

    def end(self) -> Mapping[str, LoadResult | Unread]:
        """End what still runs, and give the accounts by drive."""


def run_plan(machine: ProofMachine, ongoing: OngoingRun, show: Show) -> str | None:
    """Go through a plan.

    Args:
        machine: What is loaded and read.
        ongoing: Where it adds up.
        show: Called each second with the step, and the seconds that are left of it.

    Returns:
        Why it ended before its time; None where it did not.

    Raises:
        WroteError: A load wrote.
    """
    first = machine.read_next(quiet=False)
    ongoing.take(first)
    for step in ongoing.plan.steps:
        names = tuple(name for name in step.drives if not ongoing.is_stopped(name))
        if step.drives and not names:
            continue
        ongoing.begin(step.stage, names)
        try:
            machine.start(step, names)
            reason = _run_step(machine, ongoing, step, first, show)
        finally:
            results = machine.end()
        for name, result in results.items():
            if isinstance(result, LoadResult):
                if result.written_bytes:
                    raise WroteError(f"the load on {name} wrote {result.written_bytes} bytes")
                ongoing.take_result(name, result)
        if reason is not None:
            return reason
    return None


def _run_step(
    machine: ProofMachine,
    ongoing: OngoingRun,
    step: Step,
    first: Reading,
    show: Show,
) -> str | None:
    at = began = first.at if ongoing.at is None else ongoing.at
    quiet = step.stage in QUIET
    is_over = False
    still: frozenset[str] | None = None
    while not is_over:
        is_over = at - began >= step.seconds or (step.stage is StageName.HEAT and ongoing.is_soaked())
        is_over = is_over or bool(step.drives and machine.has_ended())
        reading = machine.read_next(quiet=quiet and not is_over)  # the last one of a quiet step reads all
        at = reading.at
        ongoing.take(reading)
        # a fan that rests while nothing is loaded stops nothing, nor one that stood still as the load began
        still = reading.stopped_fans if still is None or step.stage not in LOADED else still
        orders = give_orders(reading, ongoing.targets.drives, ongoing.held_back, still | first.stopped_fans)
        if reason := machine.asked_to_stop or orders.stop_all:
            return reason  # before anything is shown: the terminal may be gone
        show(ongoing, step, max(0.0, began + step.seconds - at))
        loaded = [name for name in orders.stop if name in ongoing.loaded]
        for name in loaded:
            ongoing.stop_drive(name, orders.stop[name])
        machine.stop(loaded)
        ongoing.held_back = frozenset(name for name in orders.hold_back if name in ongoing.loaded)
        machine.hold_back(ongoing.held_back)
    return None
