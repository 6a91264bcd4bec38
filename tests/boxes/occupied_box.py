"""Positions and their occupants, and what a rule says of them."""

from boxes.snapshot_box import Box


def position(label: str, number: int, occupant: str) -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "0000:00/01.{number}"\noccupant = {occupant}\n'


def at(*serials: str | None) -> Box:
    box = Box()
    for number, serial in enumerate(serials, start=1):
        box.with_port(f"0000:00/01.{number}")
        if serial:
            box.with_drive(f"0000:00/01.{number}", serial=serial)
    return box
