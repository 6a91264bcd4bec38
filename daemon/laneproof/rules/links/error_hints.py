"""Whether the errors of a link come with warmth, and how long it must run clean before new parts count as sound."""

from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean
from typing import Any

from laneproof.evidence.fix_trial import acceptance_seconds
from laneproof.evidence.heat import DoseTest, rate_rises_with_heat
from laneproof.evidence.not_enough import NotEnough
from laneproof.past.drives import HourHeat
from laneproof.past.link_errors import LinkRecord
from laneproof.past.tally import HOUR, Tally
from laneproof.rules.links.error_tests import is_bursty
from laneproof.rules.sign_subjects import say_seconds

_FEWEST_HOURS = 24
_FEWEST_CELSIUS = 5.0
_QUARTERS = 4
_RISES_P = 1e-3
"""How many hours are needed, how far apart the warmest and the coolest quarter must lie, and how sure it must be.
Our choice."""

WARM_STEP = (
    "Errors come more often in its warm hours, or with the load that warms it: see to the air over the drive and the "
    "parts between, and watch whether they become fewer."
)


def describe_heat(record: LinkRecord, heat: Sequence[HourHeat]) -> dict[str, Any]:
    """Say whether a link's errors come with the warmth of the drive at its end; nothing where that is not shown."""
    means = {row.hour: row.mean_celsius for row in heat}
    hours = sorted(
        (
            (means[int(row.begins // HOUR)], row)
            for row in record.series.rows
            if row.span <= HOUR and row.seconds > 0 and row.begins >= record.steady_since
            if int(row.begins // HOUR) in means
        ),
        key=lambda row: row[0],
    )
    if len(hours) < _FEWEST_HOURS:
        return {}
    bounds = [len(hours) * number // _QUARTERS for number in range(_QUARTERS + 1)]
    quarters = [hours[begin:end] for begin, end in pairwise(bounds)]
    celsius = [fmean(mean for mean, _ in quarter) for quarter in quarters]
    if celsius[-1] - celsius[0] < _FEWEST_CELSIUS:
        return {}
    # minutes with errors where they come in bursts, so that one burst in a warm hour is one event
    bursty = is_bursty(record, min(row.begins for _, row in hours))
    counted = [[_count(row, bursty=bursty) for _, row in quarter] for quarter in quarters]
    events = [sum(number for number, _ in quarter) for quarter in counted]
    test = rate_rises_with_heat(events, [sum(exposure for _, exposure in quarter) for quarter in counted])
    if not isinstance(test, DoseTest) or test.p > _RISES_P:
        return {}
    return {
        "rises_with_heat": {
            "celsius": [round(mean, 1) for mean in celsius],
            "error_minutes" if bursty else "errors": events,
            "p": test.p,
        }
    }


def _count(row: Tally, *, bursty: bool) -> tuple[int, float]:
    return (row.marked, row.units) if bursty else (row.errors, row.bits)


def say_acceptance(record: LinkRecord) -> str | None:
    """Say how long other parts must run without an error; None where the link's rate is not known."""
    if not record.gt_s or not record.lanes:
        return None
    seconds = acceptance_seconds(gt_s=record.gt_s, lanes=record.lanes)
    if isinstance(seconds, NotEnough):
        return None
    return (
        f"After a change of parts {say_seconds(seconds)} of steady traffic without one error show that the link is "
        "within the specification, and no more: let a day under load follow, and the comparison with its past."
    )
