"""Whether the drive that came is a new one, trained, and is what the declaration and the array need; and what is next.

Rules of this module: the rules judge, as in every audit; only the serial number of the drive that left is no longer
asked for. What to run next is text for a person to read and adapt.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

from laneproof.box.link_rates import describe_rate
from laneproof.box.names import Position, describe_position
from laneproof.box.occupants import Occupant
from laneproof.declaration.build import Build
from laneproof.declaration.units import EQUAL_WITHIN, format_bytes
from laneproof.findings import Finding, Kind
from laneproof.past.box_record import component_bytes
from laneproof.replacement.safety import is_working
from laneproof.rules import judge_all
from laneproof.rules.arrays.redundancy import count_lost
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import Array, HealthLog, Snapshot
from laneproof_collectors.unread import Unread, if_read

_LINK_RULES = ("link-", "bifurcation-not-active")
_IDENTITY_RULES = ("occupant-", "position-empty")


@dataclass(frozen=True, slots=True, kw_only=True)
class FitItem:
    """One thing that was checked; `holds` is None where it could not be read."""

    what: str
    holds: bool | None
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What became of the replacement, and what a person may run next, to be read and adapted first."""

    position: Position
    items: tuple[FitItem, ...]
    advice: tuple[str, ...]
    commands: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """``fits``, ``differs`` or ``unverified``."""
        if any(item.holds is False for item in self.items):
            return "differs"
        return "unverified" if any(item.holds is None for item in self.items) else "fits"

    def as_json(self) -> dict[str, Any]:
        """Give it as JSON."""
        words = {True: "holds", False: "differs", None: "unverified"}
        return {
            "schema": 1,
            "position": self.position.declared.label if self.position.declared else None,
            "path": self.position.path,
            "verdict": self.verdict,
            "items": [{"what": item.what, "result": words[item.holds], "says": item.says} for item in self.items],
            "advice": list(self.advice),
            "commands": list(self.commands),
        }


def is_new_drive(occupant: Occupant | None, was: str | None) -> bool:
    """Whether a position holds a drive that answers and is known not to be the one that was there.

    `was` is that one's serial number; None where there was none, or it gave none.
    """
    if occupant is None or not occupant.answers or not occupant.is_drive:
        return False
    return isinstance(occupant.serial, str) and occupant.serial != was


def check_new_drive(
    path: str, was: str | None, build: Build | None, snapshot: Snapshot, *, known: Collection[str] | None = None
) -> Fit:
    """Check the drive in a position after a replacement; `was` is the serial number of the one before, None for none.

    `known` are the serial numbers that were seen there, where `was` was typed and may be wrong; None where it was read.
    """
    position = describe_position(path, build, snapshot)
    occupant = position.occupant
    if occupant is None or not occupant.answers:
        item = FitItem(what="a drive", holds=False, says=f"No drive answers at {path}.")
        return Fit(position=position, items=(item,), advice=("See that it sits straight and to the end.",), commands=())
    findings = _judge(position, build, snapshot)
    array = _find_waiting(position, build, snapshot)
    items = (
        _check_identity(occupant, was, known),
        *_check_declared(position, findings),
        *_check_size(occupant, array),
        _check_link(position, findings),
        *_check_health(occupant, findings),
    )
    fit = Fit(position=position, items=items, advice=(), commands=())
    if fit.verdict == "differs":
        advice = ("Put this right first: give the drive to no array as it is. Then check again.",)
        return Fit(position=position, items=items, advice=advice, commands=())
    if items[0].holds is None:
        advice = ("Compare the number on its label with the old drive's before you give it to an array.",)
        return Fit(position=position, items=items, advice=advice, commands=())
    return Fit(
        position=position,
        items=items,
        advice=tuple(_advise(position, array)),
        commands=tuple(_list_next(position, array)),
    )


def _judge(position: Position, build: Build | None, snapshot: Snapshot) -> tuple[Finding, ...]:
    """Let the rules judge the position, as if its declaration asked for no certain serial number."""
    label = position.declared.label if position.declared else None
    relaxed = build
    if build is not None and position.declared is not None and position.declared.occupant is not None:
        occupant = position.declared.occupant.model_copy(update={"serial": None, "any_of": ()})
        relaxed_here = position.declared.model_copy(update={"occupant": occupant})
        positions = tuple(relaxed_here if declared.label == label else declared for declared in build.position)
        relaxed = build.model_copy(update={"position": positions})
    names = (
        {position.path, *(function.address for function in position.occupant.functions)}
        if position.occupant
        else {position.path}
    )
    return tuple(
        finding
        for finding in judge_all(Pass.of(relaxed, snapshot))
        if (finding.position == label if label and finding.position else {finding.key, finding.subject} & names)
    )


# --- what is checked --------------------------------------------------------------------------------------------------


def _check_identity(occupant: Occupant, was: str | None, known: Collection[str] | None) -> FitItem:
    what = "another drive"
    if not isinstance(occupant.serial, str) or not occupant.serial:
        return FitItem(what=what, holds=None, says="It gives no serial number, so it could be the old one.")
    if occupant.serial == was:
        return FitItem(what=what, holds=False, says=f"It is the drive that was here before, serial {was}.")
    if known is not None and was is not None and was not in known:
        seen = ", ".join(sorted(known)) or "none"
        says = f"It is {occupant.serial}, but {was} was never seen here (seen: {seen}), so this could be the old one."
        return FitItem(what=what, holds=None, says=says)
    return FitItem(what=what, holds=True, says=f"Its serial number is {occupant.serial}.")


def _check_declared(position: Position, findings: tuple[Finding, ...]) -> Iterator[FitItem]:
    what = "as declared"
    said = [finding for finding in findings if finding.rule.startswith(_IDENTITY_RULES)]
    for finding in said:
        yield _item(what, finding)
    declared = position.declared.occupant if position.declared else None
    if not said and declared is not None and (declared.kind or declared.capacity or declared.model):
        yield FitItem(what=what, holds=True, says="Kind, capacity and model are as declared, as far as declared.")


def _check_size(occupant: Occupant, array: Array | None) -> Iterator[FitItem]:
    needed = component_bytes(array) if array else None
    if array is None or needed is None:
        return
    what = f"large enough for {array.name}"
    if not isinstance(occupant.capacity_bytes, int):
        yield FitItem(what=what, holds=None, says="Its capacity could not be read.")
        return
    holds = occupant.capacity_bytes >= needed
    says = f"It holds {format_bytes(occupant.capacity_bytes)}; {array.name} uses {format_bytes(round(needed))} of each."
    if not holds and occupant.capacity_bytes >= needed * (1 - EQUAL_WITHIN):
        missing = format_bytes(round(needed) - occupant.capacity_bytes)
        says += f" It lacks {missing}: drives of one label differ a little."
    yield FitItem(what=what, holds=holds, says=says)


def _check_link(position: Position, findings: tuple[Finding, ...]) -> FitItem:
    what = "trained"
    for finding in findings:
        if finding.rule.startswith(_LINK_RULES):
            return _item(what, finding)
    link = position.link
    if link is None:
        hangs = "-" in position.path.rpartition("/")[2]
        said = "It hangs on a controller, which has no link of its own here." if hangs else "It shows no link."
        return FitItem(what=what, holds=hangs or None, says=said)
    rate, lanes = link.trained_gt_s.value, link.trained_lanes.value
    if not isinstance(rate, int | float) or not isinstance(lanes, int | float):
        return FitItem(what=what, holds=None, says="What its link trained at could not be read.")
    said = f"x{lanes:g} at {describe_rate(rate)}"
    if position.declared and position.declared.link:
        return FitItem(what=what, holds=True, says=f"Its link trained {said}, as declared.")
    if (rate, lanes) == (link.capable_gt_s, link.capable_lanes):
        return FitItem(what=what, holds=True, says=f"Its link trained {said}, all that both ends can do.")
    return FitItem(what=what, holds=None, says=f"Its link trained {said}; that both ends can do no more is not shown.")


def _check_health(occupant: Occupant, findings: tuple[Finding, ...]) -> Iterator[FitItem]:
    what = "healthy"
    said = [
        finding
        for finding in findings
        if not finding.rule.startswith((*_LINK_RULES, *_IDENTITY_RULES)) and finding.accepted is None
    ]
    for finding in said:
        yield _item(what, finding)
    health = occupant.controller.health if occupant.controller else None
    if isinstance(health, HealthLog):
        used = f"{health.power_on_hours} hours in use, {health.percentage_used} % worn"
        yield FitItem(what=what, holds=health.critical_warning == 0, says=f"It reports of itself: {used}.")
    elif isinstance(health, Unread) and not said:
        yield FitItem(what=what, holds=None, says=f"What it says of its health is not known: {health}.")


def _item(what: str, finding: Finding) -> FitItem:
    holds = None if finding.kind is Kind.UNVERIFIED else finding.accepted is not None
    because = f" (accepted, because {finding.accepted})" if finding.accepted is not None else ""
    return FitItem(what=what, holds=holds, says=f"{finding.summary}{because}.".replace("..", "."))


# --- what is next -----------------------------------------------------------------------------------------------------


def _find_waiting(position: Position, build: Build | None, snapshot: Snapshot) -> Array | None:
    """Find the md array that waits for this drive: the one declared for it, else the only one that lacks a member."""
    arrays = if_read(snapshot.arrays)
    waiting = [array for array in arrays if array.kind == "md" and isinstance(lost := count_lost(array), int) and lost]
    label = position.declared.label if position.declared else None
    mine = {array.name for array in (build.array if build else ()) if label in array.members}
    declared = [array for array in waiting if array.name in mine]
    chosen = declared or ([] if mine else waiting)
    return chosen[0] if len(chosen) == 1 and not position.memberships else None


def _advise(position: Position, array: Array | None) -> Iterator[str]:
    occupant, declared = position.occupant, position.declared.occupant if position.declared else None
    if (
        declared is not None
        and declared.serial is not None
        and occupant is not None
        and declared.serial != occupant.serial
    ):
        yield f'Put the new serial number into the declaration, at {position.name}: serial = "{occupant.serial}".'
    for membership in position.memberships:
        yield f"It is in {membership.array.name} already, as {membership.member.name}."
    if array is None:
        return
    suffix, sibling = _member_form(array)
    if suffix:
        yield (
            f"Members of {array.name} are partitions: give the new drive the layout of {sibling}, without its "
            "identifiers, so that no two drives have the same."
        )
    yield "Read each command before you run it, and look twice at the names in it: laneproof runs none of them."
    yield f"While {array.name} rebuilds, touch no drive of it. When it has finished, let it check itself."


def _list_next(position: Position, array: Array | None) -> Iterator[str]:
    disk = next(iter(position.occupant.disks), None) if position.occupant else None
    if array is not None and disk is not None:
        suffix, sibling = _member_form(array)
        if suffix:
            yield f"sfdisk --dump /dev/{sibling} | sed -E '/^label-id/d; s/, *uuid=[^,]*//' >layout.txt"
            yield f"sfdisk /dev/{disk} <layout.txt"
        yield f"mdadm /dev/{array.name} --add /dev/{name_part(disk, suffix)}"
        yield "cat /proc/mdstat"
    yield "laneproof audit"


def name_part(disk: str, like: str) -> str:
    """Name a disk's partition with the same number as another one's: ``p2`` or ``2``; the disk where there is none."""
    number = like.lstrip("p")
    return f"{disk}{'p' if disk[-1:].isdigit() else ''}{number}" if number else disk


def _member_form(array: Array) -> tuple[str, str]:
    """Give what follows a disk's name in the names of members (``p2``, or nothing), and a disk that has that form."""
    working = [
        member for member in array.members if is_working(member) and member.disk and member.name.startswith(member.disk)
    ]
    first = next(iter(working), None)
    return (first.name.removeprefix(first.disk), first.disk) if first else ("", "")
