"""Metrics of signs: their rules' own figures, with bounds, and nothing where there is no figure."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.troubled_box import SIGN
from laneproof.findings import Kind
from laneproof.outputs.metric_table import BY_NAME, Sample
from laneproof.outputs.sign_metrics import list_sign_samples

LABELS = ("signal-errors", "riser-2")


def samples(**evidence: Any) -> list[Sample]:
    return list(list_sign_samples(replace(SIGN, evidence=evidence), "riser-2"))


def test_a_ratio_is_reported_with_both_bounds() -> None:
    reported = samples(ratio=12.5, ratio_bounds=[3.5, 40.0], p=1e-6, minutes_with_errors=6)
    assert reported == [
        ("sign_events", LABELS, 6),
        ("sign_chance_ratio", LABELS, 1e-6),
        ("sign_times_others_ratio", (*LABELS, "estimate"), 12.5),
        ("sign_times_others_ratio", (*LABELS, "lower"), 3.5),
        ("sign_times_others_ratio", (*LABELS, "upper"), 40.0),
    ]


@pytest.mark.parametrize(
    ("evidence", "name", "value"),
    [
        ({"episodes": 2}, "sign_events", 2),
        ({"new_errors": 4, "laplace_p": 0.01}, "sign_chance_ratio", 0.01),
        ({"worst_ratio": 3.2}, "sign_times_others_ratio", 3.2),
        ({"days_left": 10}, "sign_life_left_seconds", 864000),
        ({"trial": {"needed_days": 2, "remaining_days": 0.5}}, "trial_remaining_seconds", 43200),
    ],
)
def test_each_kind_of_figure_has_its_metric(evidence: dict[str, Any], name: str, value: float) -> None:
    assert [sample[2] for sample in samples(**evidence) if sample[0] == name] == [value]


def test_bounds_of_a_share_and_of_a_life_are_reported() -> None:
    reported = samples(short_boots=2, share_bounds=(0.05, 0.54), days_left_at_least=1, days_left_at_most=None)
    assert ("sign_share_ratio", (*LABELS, "lower"), 0.05) in reported
    assert ("sign_share_ratio", (*LABELS, "upper"), 0.54) in reported
    assert [finding for finding in reported if finding[0] == "sign_life_left_seconds"] == [
        ("sign_life_left_seconds", (*LABELS, "lower"), 86400)
    ]


@pytest.mark.parametrize(
    "evidence",
    [{}, {"ratio": None, "ratio_bounds": None, "p": None}, {"ratio": float("inf"), "p": float("nan")},
     {"ratio": "12", "episodes": True, "trial": None, "ratio_bounds": "12"}, {"trial": {}}],
)  # fmt: skip
def test_what_is_no_figure_is_no_sample(evidence: dict[str, Any]) -> None:
    assert samples(**evidence) == []


@pytest.mark.parametrize("kind", [Kind.DIFFERS, Kind.UNVERIFIED])
def test_only_signs_have_these_metrics(kind: Kind) -> None:
    assert list(list_sign_samples(replace(SIGN, kind=kind, evidence={"episodes": 3}), "riser-2")) == []


def test_every_sample_is_in_the_table() -> None:
    trial = {"needed_days": 2, "remaining_days": 1}
    found = samples(ratio=1, ratio_bounds=[1, 2], p=0.5, episodes=1, share_bounds=[0, 1], days_left=1, trial=trial)
    assert len({name for name, _, _ in found}) == 7
    assert [name for name, labels, _ in found if len(labels) != len(BY_NAME[name].labels)] == []
