"""Metrics of the signs of failure: how many events, how many times the comparison with bounds, how likely by chance.

The figures are the rules' own; nothing is computed here. A figure that a sign does not have is an absent series.
"""

from collections.abc import Iterator, Sequence

from laneproof.findings import Finding
from laneproof.outputs.metric_table import Sample

_DAY_SECONDS = 86400

_BOUNDS = ("estimate", "lower", "upper")


def list_sign_samples(finding: Finding, about: str) -> Iterator[Sample]:
    """Give every sample of a sign, with the label that all metrics of it have; nothing of what is none."""
    labels, figures = (finding.rule, about), finding.figures
    bounded = [(*labels, bound) for bound in _BOUNDS]
    yield from _list_samples("sign_events", [labels], [figures.events])
    yield from _list_samples("sign_chance_ratio", [labels], [figures.chance])
    yield from _list_samples("sign_times_others_ratio", bounded, figures.ratio)
    yield from _list_samples("sign_share_ratio", bounded, figures.share)
    yield from _list_samples("sign_life_left_seconds", bounded, figures.days_left, unit=_DAY_SECONDS)
    for name, days in zip(("trial_needed_seconds", "trial_remaining_seconds"), figures.trial_days, strict=False):
        yield from _list_samples(name, [labels], [days], unit=_DAY_SECONDS)


def _list_samples(
    name: str, series: Sequence[tuple[str, ...]], values: Sequence[float | None], *, unit: int = 1
) -> Iterator[Sample]:
    for labels, value in zip(series, values, strict=False):
        if value is not None:
            yield name, labels, value * unit
