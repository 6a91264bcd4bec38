"""The steps of a replacement, in order, each with its cautions. They defer to the maker's manual, and run nothing.

Rules of this module: the box is shut down and off the mains, unless the port's own registers say that it is made for
hot plug *and* the makers say so too, which only a person can look up. Commands are patterns to be read and adapted.
"""

import shlex
from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE
from laneproof.box.names import Membership, Position
from laneproof.box.placement import hangs_on_controller
from laneproof.declaration.units import format_bytes
from laneproof.past.box_record import component_bytes
from laneproof.replacement.guide import GuideStep, Keep
from laneproof.replacement.safety import Facts, is_out, is_working
from laneproof_collectors.snapshot import SlotRegisters
from laneproof_collectors.unread import Unread

NO_DRIVE = "none"
"""What stands for "there was no drive here before" instead of a serial number."""

NEW = "NEW"
"""Stands for the new drive's own name in commands, which a person has to fill in."""

_NO_BACKUP = "An array is no copy: what is deleted or overwritten is gone on all members at once."
_READ_FIRST = "Read each command before it is run, and look twice at the names in it: laneproof runs none of them."


def list_steps(facts: Facts, keep: tuple[Keep, ...]) -> tuple[GuideStep, ...]:
    """List the steps for a position, and what must be left alone meanwhile."""
    position = facts.position
    steps = [_copy()]
    if position.occupant is not None:
        steps += _prepare(facts)
        steps.append(_note_label(position))
    steps += [_power_off(position), _open(position, keep), _exchange(facts), _close(position), _check_new(position)]
    steps.append(_afterwards(facts))
    return tuple(steps)


def _copy() -> GuideStep:
    return GuideStep(
        title="Copy what you cannot lose",
        says=("Have a copy on another machine, and check that it can be read.",),
        cautions=(_NO_BACKUP,),
    )


# --- before the drive goes out ----------------------------------------------------------------------------------------


def _prepare(facts: Facts) -> Iterator[GuideStep]:
    movable = [membership for membership in facts.position.memberships if _can_mdadm_replace(membership)]
    if movable and (free := _find_free(facts)):
        commands = [
            f"mdadm /dev/{membership.array.name} {command}"
            for membership in movable
            for command in (
                f"--add /dev/{_new_name(membership)}",
                f"--replace /dev/{membership.member.name} --with /dev/{_new_name(membership)}",
            )
        ]
        yield GuideStep(
            title=f"Better, where it can be done: let the new drive take over in {free}, which is free",
            says=_let_it_take_over(free, facts.position.name),
            commands=tuple(commands),
            cautions=(_READ_FIRST, LIVE_DRIVE),
        )
    if facts.position.file_systems:
        mounts = [file_system.mount for file_system in facts.position.file_systems]
        yield GuideStep(
            title=f"Stop using {', '.join(mounts)}",
            says=("End what writes there, copy it, check the copy.",),
            commands=tuple(f"umount {mount}" for mount in mounts if mount != "/"),
        )
    taken = [membership for membership in facts.position.memberships if membership.array.kind == "md"]
    if taken:
        yield GuideStep(
            title=f"Take it out of {', '.join(membership.array.name for membership in taken)}",
            says=(_compare_serial(facts.position), "The array then knows that the drive left on purpose."),
            commands=(*_show_serials(facts.position), *(_take_out(membership) for membership in taken)),
            cautions=(_READ_FIRST, DEGRADED_ARRAY),
        )
    for membership in facts.position.memberships:
        if membership.array.kind != "md":
            yield GuideStep(
                title=f"Tell {membership.array.name} that the drive goes",
                says=(
                    f"Follow the manual of {membership.array.kind} for replacing a device of {membership.array.name}.",
                ),
                cautions=(DEGRADED_ARRAY,),
            )


def _let_it_take_over(free: str, name: str) -> tuple[str, ...]:
    fit = (
        f"Shut down as below, fit the new drive in {free}, start, and check it: 'laneproof replace {shlex.quote(free)} "
        f"--was {NO_DRIVE}'. Then print this guide again: the names in these commands may have changed."
    )
    copy = (
        "The array copies this member while it still serves. When 'cat /proc/mdstat' shows no recovery any more, take "
        f"the old drive out with the box off, and declare {free} and {name} as they are then. That is all; the steps "
        "below are for the other way."
    )
    return fit, copy


def _show_serials(position: Position) -> tuple[str, ...]:
    disks = position.occupant.disks if position.occupant else ()
    return tuple(f"lsblk --nodeps --noheadings -o NAME,SERIAL /dev/{disk}" for disk in disks)


def _compare_serial(position: Position) -> str:
    serial = position.occupant.serial if position.occupant else None
    number = serial if isinstance(serial, str) else "the serial number on the drive's label"
    return f"Run the first command alone, and go on only if it shows {number}."


def _take_out(membership: Membership) -> str:
    fail = "" if is_out(membership.member) else f" --fail /dev/{membership.member.name}"
    return f"mdadm /dev/{membership.array.name}{fail} --remove /dev/{membership.member.name}"


def _can_mdadm_replace(membership: Membership) -> bool:
    return membership.array.kind == "md" and is_working(membership.member) and membership.member.slot is not None


def _new_name(membership: Membership) -> str:
    """Name the new member as the old membership is made: a partition of the same number, or the whole disk."""
    return NEW + membership.member.name.removeprefix(membership.member.disk)


def _find_free(facts: Facts) -> str | None:
    """Find a declared position that is meant to be empty and is, for a drive of the same kind."""
    occupant = facts.position.occupant
    if occupant is None or occupant.kind != "nvme":
        return None
    return next(
        (
            placement.label
            for placement in facts.arrangement.placements
            if placement.is_meant_empty and not placement.is_occupied and placement.port is not None
        ),
        None,
    )


def _note_label(position: Position) -> GuideStep:
    occupant = position.occupant
    serial = occupant.serial if occupant else None
    number = f"serial number {serial}" if isinstance(serial, str) else "its serial number, which could not be read here"
    model = f"{occupant.model}, " if occupant and isinstance(occupant.model, str) else ""
    return GuideStep(
        title="Write down what is on the drive's label",
        says=(f"You look for {model}{number}, in {position.name} ({position.path}).",),
        cautions=("Names such as nvme0 change from start to start; the serial number does not.",),
    )


# --- with the case open -----------------------------------------------------------------------------------------------


def find_hot_plug(position: Position) -> SlotRegisters | None:
    """Give the slot registers of the position's port where they say that it is made for hot plug."""
    link = position.link
    express = link.port.express if link and link.port else None
    slot = None if express is None or isinstance(express, Unread) else express.slot
    return slot if slot is not None and slot.hot_plug_capable else None


def _power_off(position: Position) -> GuideStep:
    says = ["Shut the box down, switch the supply off, and pull the mains cord."]
    if find_hot_plug(position) is not None:
        says.append(
            "The port's registers say that it can be hot-plugged. Only where the makers of the board, of what stands "
            "between and of the drive say so too may the box stay on; a bare M.2 socket is not made for it."
        )
    elif hangs_on_controller(position.path):
        says.append("Only where the makers of the bay and of its controller say so may the box stay on.")
    return GuideStep(
        title="Shut down, and take the box off the mains",
        says=tuple(says),
        commands=("systemctl poweroff",),
        cautions=(LIVE_DRIVE,),
    )


def _open(position: Position, keep: tuple[Keep, ...]) -> GuideStep:
    declared, says = position.declared, []
    if declared is not None and declared.slot:
        says.append(f"Find slot {declared.slot}" + (f", branch {declared.branch}." if declared.branch else "."))
    if position.board_names:
        says.append(f"The board's maker calls it {', '.join(position.board_names)}.")
    if declared is not None and declared.through:
        parts = [f'{part.kind} "{part.id}"' if part.id else part.kind for part in declared.through]
        says.append(f"Between the board and the drive stand: {', '.join(parts)}.")
    if position.occupant is not None:
        says.append("Compare the serial number on the drive's label with yours. If it is another one, leave it there.")
    if keep:
        says.append(f"Leave alone: {', '.join(drive.name for drive in keep)}.")
    return GuideStep(title=f"Open the case and find {position.name}", says=tuple(says), cautions=(OPEN_CASE,))


def _exchange(facts: Facts) -> GuideStep:
    position = facts.position
    says = []
    if position.occupant is not None:
        says.append("Loosen what holds the drive, lift it, and pull it straight out; mark it with today's date.")
    needed = needed_bytes(facts)
    plan = position.declared.occupant if position.declared else None
    size = max([size_ for size_ in (needed, plan.capacity if plan else None) if size_], default=None)
    if size:
        says.append(f"The new drive must hold {format_bytes(size)} or a little more.")
    says.append("Push the new drive in straight, to the end, and hold it down as the old one was held.")
    cautions = [
        "Touch bare metal before you touch the drive, and hold it by its edges.",
        "Heat pads and heat sinks come off slowly; put each back as its maker says, and touch none that is hot.",
    ]
    if declared := position.declared:
        if any(part.kind == "flexible-cable" for part in declared.through):
            cautions.append("Do not bend a flexible cable sharply or pull on it; see that both its ends sit straight.")
        if any(part.kind == "key-adapter" for part in declared.through):
            cautions.append("See that the key of drive and adapter fit; nothing goes in by force.")
    return GuideStep(
        title="Exchange the drive" if position.occupant else "Fit the drive", says=tuple(says), cautions=tuple(cautions)
    )


def _close(position: Position) -> GuideStep:
    return GuideStep(
        title="Close the case, plug it in, start",
        says=(
            f"Look first that no tool, screw or loose cable is left inside, and that only {position.name} was moved.",
        ),
        cautions=("Mains parts, and a supply that was opened, are a qualified person's work.",),
    )


# --- afterwards -------------------------------------------------------------------------------------------------------


def _check_new(position: Position) -> GuideStep:
    serial = position.occupant.serial if position.occupant else None
    was = shlex.quote(serial) if isinstance(serial, str) else NO_DRIVE
    name = shlex.quote(position.name)
    return GuideStep(
        title="See that the new drive trained and fits",
        says=("It waits for the new drive, and compares it with the declaration.",),
        commands=(f"laneproof replace {name} --was {was}",),
    )


def _afterwards(facts: Facts) -> GuideStep:
    arrays = ", ".join(membership.array.name for membership in facts.position.memberships)
    return GuideStep(
        title=f"Only then give it to {arrays}" if arrays else "Only then put it to use",
        says=("Run what that check printed, then 'laneproof audit'.",),
        cautions=(DEGRADED_ARRAY,) if facts.position.memberships else (),
    )


def needed_bytes(facts: Facts) -> int | None:
    """Give what each member of the position's arrays must hold; None where it is not known."""
    found = [component_bytes(membership.array) for membership in facts.position.memberships]
    return max((round(size_) for size_ in found if size_), default=None)
