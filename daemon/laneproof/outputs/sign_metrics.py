"""Metrics of the signs of failure: how many events, how many times the comparison with bounds, how likely by chance.

The figures are the rules' own, from the evidence of each sign; nothing is computed here. A figure that a sign does not
have is an absent series.
"""

import math
from collections.abc import Iterator, Mapping, Sequence

from laneproof.findings import Finding, Kind

Sample = tuple[str, tuple[str, ...], float]
_DAY_SECONDS = 86400

_EVENTS = (
    "episodes", "minutes_with_errors", "new_errors", "falls", "short_boots", "transitions_in_a_week", "spells",
    "unsafe_shutdowns", "warning_minutes_in_a_week",
)  # fmt: skip
"""What a rule calls the events that stand behind it; the first that is there counts."""
_BOUNDS = ("lower", "upper")


def list_sign_samples(finding: Finding, about: str) -> Iterator[Sample]:
    """Give every sample of a sign; nothing of what is none.

    Args:
        finding: A finding of any kind that stands.
        about: What it is about: the label that all metrics of it have.
    """
    if finding.kind is not Kind.SIGN:
        return
    labels = finding.rule, about
    evidence = finding.evidence
    events = next((count for key in _EVENTS if (count := _number(evidence.get(key))) is not None), None)
    rows: list[tuple[str, tuple[str, ...], object]] = [
        ("sign_events", labels, events),
        ("sign_chance_ratio", labels, evidence.get("p", evidence.get("laplace_p"))),
        *_with_bounds("sign_times_others_ratio", labels, evidence.get("ratio"), evidence.get("ratio_bounds")),
        *_with_bounds("sign_times_others_ratio", labels, evidence.get("worst_ratio"), None),
        *_with_bounds("sign_share_ratio", labels, None, evidence.get("share_bounds")),
        *_days_left(labels, evidence),
        *_trial(labels, evidence.get("trial")),
    ]
    for name, values, value in rows:
        if (number := _number(value)) is not None:
            yield name, values, number


def _with_bounds(
    name: str, labels: tuple[str, str], estimate: object, bounds: object
) -> Iterator[tuple[str, tuple[str, ...], object]]:
    yield name, (*labels, "estimate"), estimate
    if isinstance(bounds, Sequence) and not isinstance(bounds, str):
        for bound, value in zip(_BOUNDS, bounds, strict=False):
            yield name, (*labels, bound), value


def _days_left(
    labels: tuple[str, str], evidence: Mapping[str, object]
) -> Iterator[tuple[str, tuple[str, ...], object]]:
    for bound, key in (("estimate", "days_left"), ("lower", "days_left_at_least"), ("upper", "days_left_at_most")):
        yield "sign_life_left_seconds", (*labels, bound), _seconds(evidence.get(key))


def _trial(labels: tuple[str, str], trial: object) -> Iterator[tuple[str, tuple[str, ...], object]]:
    if isinstance(trial, Mapping):
        yield "trial_needed_seconds", labels, _seconds(trial.get("needed_days"))
        yield "trial_remaining_seconds", labels, _seconds(trial.get("remaining_days"))


def _seconds(days: object) -> float | None:
    number = _number(days)
    return None if number is None else number * _DAY_SECONDS


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return value
