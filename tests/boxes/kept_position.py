"""What was kept of a position in four days, for the tests of its page: errors, heat, a disconnect, a start, a note."""

from dataclasses import replace
from typing import Any

from boxes.snapshot_box import A_MORNING
from boxes.troubled_box import SIGN, Judged, troubled
from laneproof.box.names import Position, describe_position
from laneproof.history.series import Series, point_at
from laneproof.outputs.events_text import Happening
from laneproof.outputs.page.position_page import PositionPageFacts
from laneproof.outputs.position_past import PositionPast
from laneproof.outputs.time_columns import Grid
from laneproof.outputs.trend import Subject, make_trend

DAY = 86400.0
BEGINS = A_MORNING // DAY * DAY - 4 * DAY
GRID = Grid(begins=BEGINS, step=DAY, count=4, until=BEGINS + 4 * DAY)
HERE = Subject(name="riser-2", path="0000:00/01.2", drive="FN-2")


def make_series(name: str, *values: float | None, end: str = "drive", is_counter: bool = True) -> Series:
    points = tuple(point_at(BEGINS + (number + 0.5) * DAY, value) for number, value in enumerate(values))
    return Series(
        path=HERE.path, drive=HERE.drive, end=end, name=name, is_counter=is_counter, boot_id=None, points=points,
        known_until=GRID.until,
    )  # fmt: skip


def make_happenings() -> tuple[Happening, ...]:
    made = (
        ("booted", "the machine started", None, ""),
        ("changed", "BIOS 1.18 became 1.20", None, ""),
        ("episode", "episode 4: dropped off the bus for 20 s", "riser-2", HERE.path),
        ("finding_raised", f"signal-errors: {SIGN.summary}", "riser-2", ""),
        ("note", "reseated the cable", "riser-2", HERE.path),
    )
    return tuple(
        Happening(t=BEGINS + (number + 0.5) * DAY / 2, kind=kind, text=text, position=position, path=path)
        for number, (kind, text, position, path) in enumerate(made)
    )


def make_past(*more: Series) -> PositionPast:
    series = (
        make_series("correctable_errors", 0, 4, 4, 10, end="port"),
        make_series("correctable_errors.BadTLP", 0, 4, 4, 10, end="port"),
        make_series("read_bytes", 0, 10**12, 2 * 10**12, 2 * 10**12),
        make_series("composite_temperature_celsius", 38, 44, 35, is_counter=False),
        make_series("percentage_used", 1, is_counter=False),
        *more,
    )
    return PositionPast(
        trend=make_trend(HERE, series, (), GRID), happened=make_happenings(), watched="Watched all the time."
    )


def find_position(label: str = "riser-2", judged: Judged | None = None) -> Position:
    judged = judged or troubled()
    declared = judged.build.position_named(label) if judged.build else None
    return describe_position(declared.path if declared else label, judged.build, judged.snapshot)


def make_facts(label: str = "riser-2", judged: Judged | None = None, **more: Any) -> PositionPageFacts:
    judged = judged or troubled()
    facts = PositionPageFacts(
        build=judged.build,
        snapshot=judged.snapshot,
        position=find_position(label, judged),
        findings=judged.findings,
        past=make_past(),
        span="month",
    )
    return replace(facts, **more)
