"""One sample, and how a fact becomes one."""

from typing import NamedTuple

from laneproof.history.measures import Measure
from laneproof.history.origins import Origin

Value = int | float

_WIDEST = (1 << 63) - 1  # SQLite keeps integers of 64 bits; a drive's counters have 128


class Sample(NamedTuple):
    """One counter or reading of one pass."""

    origin: Origin
    measure: Measure
    value: Value


def sample(origin: Origin, measure: Measure, fact: object) -> tuple[Sample, ...]:
    """Make a sample of a fact, or none where there is no such thing or it could not be read."""
    return (Sample(origin, measure, _plain(fact, measure.digits)),) if isinstance(fact, int | float) else ()


def _plain(fact: Value, digits: int) -> Value:
    """Give a number as small as it can be kept: whole where it is whole, and no more digits than are worth it."""
    if isinstance(fact, int):
        return int(fact) if -_WIDEST <= fact <= _WIDEST else float(fact)
    rounded = round(fact, digits)
    return int(rounded) if rounded.is_integer() and abs(rounded) <= _WIDEST else rounded
