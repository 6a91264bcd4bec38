"""position-empty: declared devices that do not answer."""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.advice import DEGRADED_ARRAY, FIRMWARE_SETUP, OPEN_CASE, Step, advise
from laneproof.box.placement import EMPTY, Arrangement, Placement, State
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.occupancy.bifurcation_not_active import find_split_troubles
from laneproof.rules.occupancy.descriptions import describe_declared, moved_step
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof.rules.sign_subjects import DAY

_IN_HAND_SECONDS = DAY
"""Who had a drive removed knows that it is gone; so long after that its absence is no alarm. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    split_off = {
        placement.label: trouble.name for trouble in find_split_troubles(arrangement) for placement in trouble.missing
    }
    ledger = current.past.ledger
    for placement in arrangement.placements:
        if placement.is_meant_occupied and placement.state in EMPTY:
            finding = _report_empty(arrangement, placement, split_off.get(placement.label))
            is_being_removed = ledger.episodes.is_being_removed(
                placement.position.path, ledger.now, within=_IN_HAND_SECONDS
            )
            yield replace(finding, severity=Severity.NOTICE) if is_being_removed else finding


_SEEN = {
    State.NO_BRIDGE: "nothing: there is no bridge at {path}",
    State.SILENT: "nothing: {path} is there, but no device answers below it",
    State.GONE: "{name} is listed but no longer answers on the bus",
}
_GIVEN_UP = "{name} is listed but dead: the kernel gave up its controller"


def _report_empty(arrangement: Arrangement, placement: Placement, slot: str | None) -> Finding:
    plan, path = placement.declared_device, placement.position.path
    name = placement.occupant.name if placement.occupant else ""
    given_up = placement.occupant is not None and placement.occupant.given_up
    observed = _GIVEN_UP.format(name=name) if given_up else _SEEN[placement.state].format(path=path, name=name)
    found = arrangement.found_elsewhere(placement)
    steps = POSITION_EMPTY.next_steps
    because = ""
    if found is not None:
        because = f"; its drive is in {arrangement.where(found)}"
        steps = advise(moved_step(placement.label, arrangement.where(found)))  # it answers there: look no further
    elif slot is not None:
        because = f"; the split of slot {slot} is not active"
        steps = (f"See bifurcation-not-active of slot {slot} first: it explains this.", *steps)
    return POSITION_EMPTY.report(
        severity=_severity_of(arrangement, placement, is_explained=slot is not None, is_moved=found is not None),
        position=placement.label,
        subject=placement.occupant.name if placement.occupant else path,
        key=path,
        summary=f"{placement.label} is empty, declared {describe_declared(plan)}: {observed}{because}",
        declared=describe_declared(plan),
        observed=observed,
        evidence={
            "path": path,
            "state": str(placement.state),
            "found_in": arrangement.where(found) if found else None,
            "reason": "bifurcation-not-active" if slot and not found else None,
        },
        next_steps=steps,
    )


def _severity_of(arrangement: Arrangement, placement: Placement, *, is_explained: bool, is_moved: bool) -> Severity:
    """An alarm; critical where data hangs on it; a notice where another finding is an alarm for the same cause."""
    if is_explained:
        return Severity.NOTICE
    arrays = arrangement.build.array if arrangement.build else ()
    holds_data = any(placement.label in array.members for array in arrays) or (
        placement.declared_device is not None and placement.declared_device.role == "data"
    )
    return Severity.CRITICAL if holds_data and not is_moved else Severity.WARNING


POSITION_EMPTY = Rule(
    name="position-empty",
    kind=Kind.DIFFERS,
    statement="Each position that is declared to hold a device holds one that answers.",
    why=(
        "A drive that did not come up is missing from its array, and a second one that follows may take the data with "
        "it. The cause is often harmless: a socket switched off or shared with another, a slot that is not split, a "
        "cable that was not pushed home. A drive that somebody removed on request is a notice for a day, then an alarm."
    ),
    next_steps=advise(
        Step(
            "Look in the firmware setup whether the socket is switched on, split as it should be (bifurcation), and "
            "not shared with another socket or SATA port in use.",
            (FIRMWARE_SETUP,),
        ),
        Step("Then see whether drive, adapter and cable sit firmly.", (OPEN_CASE, DEGRADED_ARRAY)),
        "Try the drive in a position that is known to work: if it appears there, the way to this position is at fault.",
    ),
    judge=_judge,
    examples=(
        holds("both drives answer"),
        differs(
            "the second port is there, but nothing answers below it",
            "riser-2 is empty, declared nvme, serial FN0002: nothing: 0000:00/01.2 is there, but no device "
            "answers below it",
        ),
        holds("a removable backup drive was taken out"),
    ),
    sources=(
        "A path names the bridges above a device; no bridge means an empty position: this program's own convention.",
        "Sockets that share lanes with others: common practice, no source; the board's manual says.",
    ),
)
