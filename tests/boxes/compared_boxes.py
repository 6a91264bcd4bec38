"""Two simulated boxes and what changed between them; the positions of a split slot are declared."""

from boxes.snapshot_box import Box, declare
from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.box.inventory.inventory import Inventory
from laneproof.changes import Change, Comparison, compare
from laneproof.declaration.build import Build

PATHS = [f"0000:00/01.{number}" for number in (1, 2, 3, 4)]
BUILD = declare("".join(f'[[position]]\nlabel = "riser-{path[-1]}"\npath = "{path}"\n' for path in PATHS))


def take(box: Box, build: Build | None = BUILD) -> Inventory:
    return make_inventory(build, box.snapshot())


def compare_boxes(before: Box, after: Box, build: Build | None = BUILD) -> Comparison:
    return compare(take(before, build), take(after, build))


def only_change(before: Box, after: Box, build: Build | None = BUILD) -> Change:
    (change,) = compare_boxes(before, after, build).changes
    return change
