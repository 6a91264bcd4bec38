"""occupant-differs: another device than the declared one."""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE, advise
from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement, Placement, is_same_text
from laneproof.declaration.tables import DeclaredDevice
from laneproof.declaration.units import format_bytes, is_same_capacity
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.occupancy.descriptions import describe_declared, moved_step
from laneproof.rules.rule import Pass, Rule, differs, holds, unverified
from laneproof_collectors.unread import Unread

_Different = list[tuple[str, str, str]]
"""What differs, as declared and as observed."""
_Unread = list[tuple[str, Unread]]


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement, ledger = current.arrangement, current.past.ledger
    for placement in arrangement.placements:
        occupant = placement.occupant
        if placement.devices and occupant is not None and placement.is_occupied and not placement.is_meant_empty:
            is_being_removed = ledger.episodes.is_being_removed(placement.position.path, ledger.now)
            for finding in _compare(arrangement, placement, occupant):
                if finding.kind is not Kind.UNVERIFIED or not is_being_removed:
                    yield finding


def _compare(arrangement: Arrangement, placement: Placement, occupant: Occupant) -> Iterator[Finding]:
    """Compare a device with the declared one; of several that take turns, one that fits is enough."""
    compared = [_compare_device(device, occupant) for device in placement.devices]
    fitting = [unread for different, unread in compared if not different]
    if not fitting:
        yield _report_differs(arrangement, placement, occupant, compared)
    elif all(fitting):
        yield _report_unread(placement, occupant, min(fitting, key=len))


def _compare_device(device: DeclaredDevice, occupant: Occupant) -> tuple[_Different, _Unread]:
    different: _Different = []
    unread: _Unread = []
    for what, declared, observed in _pairs(device, occupant):
        if isinstance(observed, Unread):
            unread.append((what, observed))
        elif not _is_equal(what, declared, observed, occupant):
            different.append((what, _write(what, declared), _write(what, observed)))
    return different, unread


def _pairs(plan: DeclaredDevice, occupant: Occupant) -> Iterator[tuple[str, str | int, str | int | Unread]]:
    """Give what is declared and what was found for each thing that is compared here (firmware is another rule's)."""
    pairs = (
        ("kind", plan.kind, occupant.kind),
        ("model", plan.model, occupant.model),
        ("serial", plan.serial, occupant.serial),
        ("capacity", plan.capacity, occupant.capacity_bytes),
    )
    for what, declared, observed in pairs:
        if declared is not None:
            value = Unread(f"the {what} of {occupant.name}", "it reports none") if observed is None else observed
            yield what, declared, value


def _is_equal(what: str, declared: str | int, observed: str | int, occupant: Occupant) -> bool:
    if what == "capacity":
        return isinstance(declared, int) and isinstance(observed, int) and is_same_capacity(observed, declared)
    if what == "kind" and declared == "other":  # a bare controller is a thing of its own as well as the way to drives
        return observed == "other" or (observed == "sata" and occupant.drive is None)
    # USB drives were declared so before they had a kind of their own.
    if what == "kind" and (declared, observed) == ("sata", "usb"):
        return True
    return is_same_text(observed, str(declared)) or (what == "model" and _is_named_with_maker(str(declared), occupant))


def _is_named_with_maker(declared: str, occupant: Occupant) -> bool:
    """Whether a card was declared with its maker's name before its own, as the list of ids has both."""
    first = next(iter(occupant.functions), None)
    return first is not None and is_same_text(f"{first.vendor_name} {first.device_name}", declared)


def _write(what: str, value: str | int) -> str:
    if what == "capacity" and isinstance(value, int):
        return format_bytes(value)
    return f"{what} {value}" if what in ("kind", "serial") else str(value) or "(blank)"


def _report_differs(
    arrangement: Arrangement, placement: Placement, occupant: Occupant, compared: list[tuple[_Different, _Unread]]
) -> Finding:
    declared = " or ".join(dict.fromkeys(", ".join(text for _, text, _ in different) for different, _ in compared))
    observed = ", ".join(dict.fromkeys(text for different, _ in compared for _, _, text in different))
    home, found = arrangement.belongs_to(occupant), arrangement.found_elsewhere(placement)
    notes = [f"{occupant.name} is declared for {home}"] if home else []
    steps = [moved_step(home, placement.label)] if home else []
    if found is not None:
        notes.append(f"the drive declared here is in {arrangement.where(found)}")
        steps.append(moved_step(placement.label, arrangement.where(found)))
    holds = f"{placement.label} holds {observed}, declared {declared}"
    return OCCUPANT_DIFFERS.report(
        severity=Severity.WARNING,
        position=placement.label,
        subject=occupant.name,
        key=placement.position.path,
        summary="; ".join((holds, *notes)),
        declared=declared,
        observed=observed,
        evidence={
            "differs_in": list(dict.fromkeys(what for different, _ in compared for what, _, _ in different)),
            "path": placement.position.path,
            "address": occupant.address,
            "declared_for": home,
            "found_in": arrangement.where(found) if found else None,
            "unread": list(dict.fromkeys(str(gap) for _, unread in compared for _, gap in unread)),
        },
        next_steps=advise(*steps, *OCCUPANT_DIFFERS.next_steps),
    )


def _report_unread(placement: Placement, occupant: Occupant, unread: _Unread) -> Finding:
    gaps = [gap for _, gap in unread]
    return OCCUPANT_DIFFERS.report_unverified(
        gaps[0],
        about=f"whether {placement.label} holds the declared {', '.join(what for what, _ in unread)}",
        why="; ".join(dict.fromkeys(map(str, gaps))),
        key=placement.position.path,
        position=placement.label,
        subject=occupant.name,
        declared=describe_declared(placement.declared_device),
        evidence={"unread": [str(gap) for gap in gaps]},
    )


OCCUPANT_DIFFERS = Rule(
    name="occupant-differs",
    kind=Kind.DIFFERS,
    statement="Each position holds the device that is declared for it: kind, model, serial number, capacity.",
    why=(
        "Labels on sockets are only worth what they say: who pulls the drive in riser-2 because riser-2 is faulty must "
        "get the faulty one. A drive of another make may also be smaller or slower than the array needs."
    ),
    next_steps=advise(
        "Compare the label on the drive with the serial number shown here.",
        "If the change was meant, correct the declaration: 'laneproof draft --update FILE' does it.",
        DEGRADED_ARRAY,
        "If two drives changed places, put them back or swap their declarations. " + LIVE_DRIVE + " " + OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        holds("each position holds its own drive"),
        differs(
            "the two drives changed places",
            "riser-1 holds serial FN0002, declared serial FN0001; nvme0 is declared for riser-2; the drive "
            "declared here is in riser-2",
            "riser-2 holds serial FN0001, declared serial FN0002; nvme1 is declared for riser-1; the drive "
            "declared here is in riser-1",
        ),
        holds("one of two backup drives that take turns is in its position"),
        differs(
            "a drive is there that is neither of those that take turns",
            "backup holds serial FN0001, declared serial FN0008 or serial FN0009",
        ),
        unverified(
            "the serial number could not be read",
            "whether riser-1 holds the declared serial could not be verified: could not read serial of nvme0: "
            "permission denied",
        ),
    ),
    sources=("Capacities are equal within 1 %: makers round, and formatting takes a little (common practice).",),
)
