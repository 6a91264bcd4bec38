"""A simulated box with knobs, for tests: what the rules' own examples are made with, and a declaration from text.

``Box().with_port("0000:00/01.1", gen=4, lanes=4).with_drive("0000:00/01.1", serial="A1").snapshot()``
"""

import tomllib

from laneproof.declaration.build import Build
from laneproof.rules.example_box import (
    A_MORNING,
    DISPLAY,
    DOWNSTREAM_PORT,
    END_POINT,
    L0S,
    L1,
    NETWORK,
    NVME,
    ROOT_PORT,
    SATA,
    UPSTREAM_PORT,
    Box,
    make_array,
    make_bond,
    make_controller,
    make_express,
    make_firmware,
    make_health,
    make_interface,
    make_memory,
    make_power,
    make_sata_drive,
)

__all__ = [
    "A_MORNING",
    "DISPLAY",
    "DOWNSTREAM_PORT",
    "END_POINT",
    "L0S",
    "L1",
    "NETWORK",
    "NVME",
    "ROOT_PORT",
    "SATA",
    "UPSTREAM_PORT",
    "Box",
    "declare",
    "kelp_box",
    "make_array",
    "make_bond",
    "make_controller",
    "make_express",
    "make_firmware",
    "make_health",
    "make_interface",
    "make_memory",
    "make_power",
    "make_sata_drive",
]


def declare(text: str) -> Build:
    """Make a declaration of its text; schema and the box's name are added where they are left out."""
    table = {"schema": 1, "box": {"name": "kelp-1"}} | tomllib.loads(text)
    table["box"] = {"name": "kelp-1"} | table["box"]
    return Build.model_validate(table)


def kelp_box(drives: int = 4) -> Box:
    """Make a sound box: a slot split in branches of four lanes (``0000:00/01.1`` and on), a drive on each."""
    box = Box()
    for number in range(1, drives + 1):
        path = f"0000:00/{1 + (number - 1) // 7:02x}.{1 + (number - 1) % 7}"
        box.with_port(path).with_drive(path, serial=f"FN{number:04d}")
    return box
