"""How occupants, declared and found, are described."""

from laneproof.advice import DEGRADED_ARRAY, OPEN_CASE, Step
from laneproof.box.occupants import Occupant
from laneproof.declaration.tables import DeclaredDevice, DeclaredOccupant
from laneproof.declaration.units import format_bytes


def describe_declared(declared: DeclaredDevice | None) -> str:
    """Write a declared occupant for people: ``nvme Fulmar N4, 4 TB, serial FN0001``."""
    if declared is None:
        return "a device"
    if isinstance(declared, DeclaredOccupant) and declared.any_of:
        return " or ".join(describe_declared(device) for device in declared.devices)
    capacity = format_bytes(declared.capacity) if declared.capacity is not None else None
    serial = f"serial {declared.serial}" if declared.serial is not None else None
    name = " ".join(word for word in (declared.kind or "device", declared.model) if word)
    return ", ".join(word for word in (name, capacity, serial) if word)


def describe_found(occupant: Occupant) -> str:
    """Describe a device that was found in the same form, with what could be read of it."""
    kind = occupant.kind if isinstance(occupant.kind, str) else "device"
    name = " ".join(word for word in (kind, occupant.model) if isinstance(word, str))
    capacity = format_bytes(occupant.capacity_bytes) if isinstance(occupant.capacity_bytes, int) else None
    serial = f"serial {occupant.serial}" if isinstance(occupant.serial, str) else None
    return ", ".join(word for word in (name, capacity, serial) if word)


def moved_step(label: str, elsewhere: str) -> Step:
    """Say what to do about a drive that is in another position than its own."""
    return Step(
        f"The drive declared for {label} is in {elsewhere}: put it back (box off) or correct the declaration.",
        (DEGRADED_ARRAY, OPEN_CASE),
    )
