"""How a position went over time, as one value: its charts, and all that happened there and to the whole machine."""

from collections.abc import Iterable
from dataclasses import dataclass

from laneproof.history.events import BOOTED, CHANGED, CLOCK_STEPPED, RECORDS_LOST
from laneproof.outputs.events_text import Happening
from laneproof.outputs.trend import Subject, Trend

_OF_THE_MACHINE = frozenset({BOOTED, CHANGED, CLOCK_STEPPED, RECORDS_LOST})


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionPast:
    """What was kept of one position: its charts, what happened, oldest first, and when somebody watched."""

    trend: Trend
    happened: tuple[Happening, ...]
    watched: str


def choose_happenings(happened: Iterable[Happening], subject: Subject) -> tuple[Happening, ...]:
    """Choose what happened to one position or its drive, and what became of the whole machine."""
    return tuple(happening for happening in happened if _concerns(happening, subject))


def _concerns(happening: Happening, subject: Subject) -> bool:
    if subject.path and happening.path == subject.path:
        return True
    if happening.position == subject.name or (subject.drive and happening.drive == subject.drive):
        return True
    return happening.kind in _OF_THE_MACHINE and not happening.path and happening.position is None
