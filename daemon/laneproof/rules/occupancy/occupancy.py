"""Who is where: position-empty, occupant-unexpected, occupant-differs.

A device found in another declared position is told as moved, in both positions' findings. Links and settings are other
rules' matter; these stay silent about a tree that could not be read as a whole (reading-incomplete says that once).
"""

from collections.abc import Iterator

from laneproof.box.occupants import Occupant
from laneproof.box.placement import EMPTY, Arrangement, Placement, State, arrange, is_same_text
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredOccupant
from laneproof.declaration.units import format_bytes, is_same_capacity
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.cautions import DEGRADED_ARRAY, FIRMWARE_SETUP, LIVE_DRIVE, OPEN_CASE
from laneproof.rules.example_box import Box
from laneproof.rules.occupancy.bifurcation_not_active import find_split_troubles
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


def describe_plan(plan: DeclaredOccupant | None) -> str:
    """Write a declared occupant for people: ``nvme Fulmar N4, 4 TB, serial FN0001``."""
    if plan is None:
        return "a device"
    capacity = format_bytes(plan.capacity) if plan.capacity is not None else None
    serial = f"serial {plan.serial}" if plan.serial is not None else None
    name = " ".join(one for one in (plan.kind or "device", plan.model) if one)
    return ", ".join(one for one in (name, capacity, serial) if one)


def describe_found(occupant: Occupant) -> str:
    """Write a found device the same way, as far as it tells."""
    kind = occupant.kind if isinstance(occupant.kind, str) else "device"
    name = " ".join(one for one in (kind, occupant.model) if isinstance(one, str))
    capacity = format_bytes(occupant.capacity_bytes) if isinstance(occupant.capacity_bytes, int) else None
    serial = f"serial {occupant.serial}" if isinstance(occupant.serial, str) else None
    return ", ".join(one for one in (name, capacity, serial) if one)


# --- position-empty ---------------------------------------------------------------------------------------------------


def _judge_empty(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    arrangement = arrange(build, snapshot)
    split_off = {
        placement.label: trouble.name for trouble in find_split_troubles(arrangement) for placement in trouble.missing
    }
    for placement in arrangement.placements:
        if placement.is_meant_occupied and placement.state in EMPTY:
            yield _tell_empty(arrangement, placement, split_off.get(placement.label))


_SEEN = {
    State.NO_BRIDGE: "nothing: there is no bridge at {path}",
    State.SILENT: "nothing: {path} is there, but no device answers below it",
    State.GONE: "{name} is listed but no longer answers on the bus",
}
_GIVEN_UP = "{name} is listed but dead: the kernel gave up its controller"


def _tell_empty(arrangement: Arrangement, placement: Placement, slot: str | None) -> Finding:
    plan, path = placement.plan, placement.position.path
    name = placement.occupant.name if placement.occupant else ""
    given_up = placement.occupant is not None and placement.occupant.given_up
    observed = _GIVEN_UP.format(name=name) if given_up else _SEEN[placement.state].format(path=path, name=name)
    found = arrangement.found_elsewhere(placement)
    steps = POSITION_EMPTY.look_next
    because = ""
    if found is not None:
        because = f"; its drive is in {arrangement.where(found)}"
        steps = (_moved_step(placement.label, arrangement.where(found)), *steps)
    elif slot is not None:
        because = f"; the split of slot {slot} is not active"
        steps = (f"See bifurcation-not-active of slot {slot} first: it explains this.", *steps)
    return Finding(
        rule=POSITION_EMPTY.name,
        kind=Kind.DIFFERS,
        severity=_how_bad(arrangement, placement, is_explained=slot is not None, is_moved=found is not None),
        position=placement.label,
        subject=placement.occupant.name if placement.occupant else path,
        key=path,
        summary=f"{placement.label} is empty, declared {describe_plan(plan)}: {observed}{because}",
        declared=describe_plan(plan),
        observed=observed,
        evidence={
            "path": path,
            "state": str(placement.state),
            "found_in": arrangement.where(found) if found else None,
            "reason": "bifurcation-not-active" if slot and not found else None,
        },
        next_steps=steps,
    )


def _how_bad(arrangement: Arrangement, placement: Placement, *, is_explained: bool, is_moved: bool) -> Severity:
    """A page; critical where data hangs on it; a note where another finding already pages for the same cause."""
    if is_explained:
        return Severity.NOTICE
    arrays = arrangement.build.array if arrangement.build else ()
    holds_data = any(placement.label in array.members for array in arrays) or (
        placement.plan is not None and placement.plan.role == "data"
    )
    return Severity.CRITICAL if holds_data and not is_moved else Severity.WARNING


def _moved_step(label: str, elsewhere: str) -> str:
    return f"The drive declared for {label} is in {elsewhere}: put it back (box off) or correct the declaration."


# --- occupant-unexpected ----------------------------------------------------------------------------------------------


def _judge_unexpected(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    if build is None:
        return
    arrangement = arrange(build, snapshot)
    for placement in arrangement.placements:
        if placement.is_meant_empty and placement.occupant is not None and placement.is_occupied:
            yield _tell_unexpected(arrangement, placement.occupant, placement.label)
    if build.box.undeclared == "report":
        for stray in arrangement.strays():
            yield _tell_unexpected(arrangement, stray, None)


def _tell_unexpected(arrangement: Arrangement, occupant: Occupant, label: str | None) -> Finding:
    home = arrangement.belongs_to(occupant)
    where = f"{label}, declared empty" if label else f"{occupant.path}, which is no declared position"
    moved = f"; it is declared for {home}" if home else ""
    serial = occupant.serial if isinstance(occupant.serial, str) and occupant.serial else None
    return Finding(
        rule=OCCUPANT_UNEXPECTED.name,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING if home else Severity.NOTICE,
        position=label,
        subject=occupant.name,
        key=serial or occupant.own_path,
        summary=f"{occupant.name} ({describe_found(occupant)}) is in {where}{moved}",
        declared="nothing",
        observed=describe_found(occupant),
        evidence={"path": occupant.path, "address": occupant.address, "declared_for": home},
        next_steps=(*((_moved_step(home, label or occupant.path),) if home else ()), *OCCUPANT_UNEXPECTED.look_next),
    )


# --- occupant-differs -------------------------------------------------------------------------------------------------


def _judge_differs(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    arrangement = arrange(build, snapshot)
    for placement in arrangement.placements:
        plan, occupant = placement.plan, placement.occupant
        if plan is not None and occupant is not None and placement.is_occupied and not placement.is_meant_empty:
            yield from _compare(arrangement, placement, plan, occupant)


def _compare(
    arrangement: Arrangement, placement: Placement, plan: DeclaredOccupant, occupant: Occupant
) -> Iterator[Finding]:
    different: list[tuple[str, str, str]] = []
    unread: list[tuple[str, str, Unread]] = []
    for what, declared, observed in _pairs(plan, occupant):
        if isinstance(observed, Unread):
            unread.append((what, str(declared), observed))
        elif not _is_equal(what, declared, observed, occupant):
            different.append((what, _write(what, declared), _write(what, observed)))
    if different:
        yield _tell_differs(arrangement, placement, occupant, different, unread)
    elif unread:
        yield _tell_unread(placement, occupant, unread)


def _pairs(plan: DeclaredOccupant, occupant: Occupant) -> Iterator[tuple[str, str | int, str | int | Unread]]:
    """Give what is declared and what was found for each thing that is compared here (firmware is another rule's)."""
    pairs = (
        ("kind", plan.kind, occupant.kind),
        ("model", plan.model, occupant.model),
        ("serial", plan.serial, occupant.serial),
        ("capacity", plan.capacity, occupant.capacity_bytes),
    )
    for what, declared, observed in pairs:
        if declared is not None:
            told = Unread(f"the {what} of {occupant.name}", "it tells none") if observed is None else observed
            yield what, declared, told


def _is_equal(what: str, declared: str | int, observed: str | int, occupant: Occupant) -> bool:
    if what == "capacity":
        return isinstance(declared, int) and isinstance(observed, int) and is_same_capacity(observed, declared)
    if what == "kind" and declared == "other":  # a bare controller is a thing of its own as well as the way to drives
        return observed == "other" or (observed == "sata" and occupant.drive is None)
    return is_same_text(observed, str(declared)) or (what == "model" and _is_named_with_maker(str(declared), occupant))


def _is_named_with_maker(declared: str, occupant: Occupant) -> bool:
    """Whether a card was declared with its maker's name before its own, as the list of ids has both."""
    first = next(iter(occupant.functions), None)
    return first is not None and is_same_text(f"{first.vendor_name} {first.device_name}", declared)


def _write(what: str, value: str | int) -> str:
    if what == "capacity" and isinstance(value, int):
        return format_bytes(value)
    return f"{what} {value}" if what in ("kind", "serial") else str(value) or "(blank)"


def _tell_differs(
    arrangement: Arrangement,
    placement: Placement,
    occupant: Occupant,
    different: list[tuple[str, str, str]],
    unread: list[tuple[str, str, Unread]],
) -> Finding:
    declared = ", ".join(one for _, one, _ in different)
    observed = ", ".join(one for _, _, one in different)
    home, found = arrangement.belongs_to(occupant), arrangement.found_elsewhere(placement)
    notes = [f"{occupant.name} is declared for {home}"] if home else []
    steps = [_moved_step(home, placement.label)] if home else []
    if found is not None:
        notes.append(f"the drive declared here is in {arrangement.where(found)}")
        steps.append(_moved_step(placement.label, arrangement.where(found)))
    told = f"{placement.label} holds {observed}, declared {declared}"
    return Finding(
        rule=OCCUPANT_DIFFERS.name,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING,
        position=placement.label,
        subject=occupant.name,
        key=placement.position.path,
        summary="; ".join((told, *notes)),
        declared=declared,
        observed=observed,
        evidence={
            "differs_in": [what for what, _, _ in different],
            "path": placement.position.path,
            "address": occupant.address,
            "declared_for": home,
            "found_in": arrangement.where(found) if found else None,
            "unread": [str(gap) for _, _, gap in unread],
        },
        next_steps=(*steps, *OCCUPANT_DIFFERS.look_next),
    )


def _tell_unread(placement: Placement, occupant: Occupant, unread: list[tuple[str, str, Unread]]) -> Finding:
    what = ", ".join(one for one, _, _ in unread)
    why = "; ".join(dict.fromkeys(str(gap) for _, _, gap in unread))
    return Finding(
        rule=OCCUPANT_DIFFERS.name,
        kind=Kind.UNVERIFIED,
        severity=Severity.NOTICE,
        position=placement.label,
        subject=occupant.name,
        key=placement.position.path,
        summary=f"whether {placement.label} holds the declared {what} could not be verified: {why}",
        declared=describe_plan(placement.plan),
        observed=None,
        evidence={"unread": [str(gap) for _, _, gap in unread]},
        next_steps=("Let the program read the drive: run it as its service does, or as root.",),
    )


# --- the rules --------------------------------------------------------------------------------------------------------

_TWO = """
schema = 1
box.name = "kelp-1"
position = [
  { label = "riser-1", path = "0000:00/01.1", occupant = { kind = "nvme", serial = "FN0001" } },
  { label = "riser-2", path = "0000:00/01.2", occupant = { kind = "nvme", serial = "FN0002" } },
]
"""
_SPARE = """
schema = 1
box.name = "kelp-1"
position = [{ label = "spare", path = "0000:00/01.1", occupant = { kind = "none" } }]
"""


def _two(first: str | None, second: str | None) -> Snapshot:
    box = Box()
    for path, serial in (("0000:00/01.1", first), ("0000:00/01.2", second)):
        box.with_port(path)
        if serial is not None:
            box.with_drive(path, serial=serial)
    return box.snapshot()


POSITION_EMPTY = Rule(
    name="position-empty",
    kind=Kind.DIFFERS,
    statement="Each position that is declared to hold a device holds one that answers.",
    why=(
        "A drive that did not come up is missing from its array, and a second one that follows may take the data with "
        "it. The cause is often harmless: a socket switched off or shared with another, a slot that is not split, a "
        "cable that was not pushed home."
    ),
    look_next=(
        (
            "Look in the firmware setup whether the socket is switched on, split as it should be, and not shared with "
            "another socket or SATA port in use."
        ),
        FIRMWARE_SETUP,
        DEGRADED_ARRAY,
        LIVE_DRIVE,
        OPEN_CASE,
        "Then see whether drive, adapter and cable sit firmly.",
        "Try the drive in a position that is known to work: if it appears there, the way to this position is at fault.",
    ),
    judge=_judge_empty,
    examples=(
        Example(
            says="both drives answer",
            build=_TWO,
            snapshot=lambda: _two("FN0001", "FN0002"),
            expect=(),
        ),
        Example(
            says="the second port is there, but nothing answers below it",
            build=_TWO,
            snapshot=lambda: _two("FN0001", None),
            expect=(Kind.DIFFERS,),
        ),
    ),
    sources=(
        "A path names the bridges above a device; no bridge means an empty position: this program's own convention.",
        "Sockets that share lanes with others: common practice, no source; the board's manual says.",
    ),
)

OCCUPANT_UNEXPECTED = Rule(
    name="occupant-unexpected",
    kind=Kind.DIFFERS,
    statement="Positions declared empty are empty, and each drive of the box is in a declared position.",
    why=(
        "A drive that nobody declared may be somebody's only copy of something, or a sign that devices are not where "
        "the declaration has them."
    ),
    look_next=(
        "If it belongs here, declare it: 'laneproof draft --update FILE' adds it.",
        'If such drives are none of this program\'s business, set undeclared = "ignore" under [box].',
        "Before taking it out, find out whose it is and what is on it. " + LIVE_DRIVE + " " + OPEN_CASE,
    ),
    judge=_judge_unexpected,
    examples=(
        Example(
            says="the spare position is empty, as declared",
            build=_SPARE,
            snapshot=lambda: Box().with_port("0000:00/01.1").snapshot(),
            expect=(),
        ),
        Example(
            says="a drive is in the spare position",
            build=_SPARE,
            snapshot=lambda: _two("FN0009", None),
            expect=(Kind.DIFFERS,),
        ),
        Example(
            says="a drive is in no declared position",
            build=_SPARE,
            snapshot=lambda: _two(None, "FN0009"),
            expect=(Kind.DIFFERS,),
        ),
    ),
)

OCCUPANT_DIFFERS = Rule(
    name="occupant-differs",
    kind=Kind.DIFFERS,
    statement="Each position holds the device that is declared for it: kind, model, serial number, capacity.",
    why=(
        "Labels on sockets are only worth what they say: who pulls the drive in riser-2 because riser-2 is faulty must "
        "get the faulty one. A drive of another make may also be smaller or slower than the array needs."
    ),
    look_next=(
        "Compare the label on the drive with the serial number told here.",
        "If the change was meant, correct the declaration: 'laneproof draft --update FILE' does it.",
        DEGRADED_ARRAY,
        "If two drives changed places, put them back or swap their declarations. " + LIVE_DRIVE + " " + OPEN_CASE,
    ),
    judge=_judge_differs,
    examples=(
        Example(
            says="each position holds its own drive",
            build=_TWO,
            snapshot=lambda: _two("FN0001", "FN0002"),
            expect=(),
        ),
        Example(
            says="the two drives changed places",
            build=_TWO,
            snapshot=lambda: _two("FN0002", "FN0001"),
            expect=(Kind.DIFFERS, Kind.DIFFERS),
        ),
        Example(
            says="the serial number could not be read",
            build=_TWO,
            snapshot=lambda: (
                Box()
                .with_port("0000:00/01.1")
                .with_drive("0000:00/01.1", controller={"serial": Unread("serial of nvme0", "permission denied")})
                .with_port("0000:00/01.2")
                .with_drive("0000:00/01.2", serial="FN0002")
                .snapshot()
            ),
            expect=(Kind.UNVERIFIED,),
        ),
    ),
    sources=("Capacities are equal within 1 %: makers round, and formatting takes a little (common practice).",),
)
