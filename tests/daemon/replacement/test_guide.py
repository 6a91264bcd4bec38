"""The guide's values: the answer follows from the heaviest reason, and all of it is JSON."""

import json

import pytest

from boxes.array_box import array_box, guide_for
from laneproof.replacement import Guide, Safety, SafetyReason, Weight


@pytest.mark.parametrize(
    ("weights", "safety"),
    [
        ((), Safety.SAFE),
        ((Weight.MIND, Weight.SPEAKS_FOR), Safety.SAFE),
        ((Weight.MIND, Weight.DOUBTS), Safety.UNVERIFIED),
        ((Weight.DOUBTS, Weight.STOPS), Safety.NOT_SAFE),
    ],
)
def test_heaviest_reason_decides(weights: tuple[Weight, ...], safety: Safety) -> None:
    position = guide_for("riser-4", array_box()).position
    reasons = tuple(SafetyReason(weight=weight, says="x") for weight in weights)
    assert Guide(position=position, reasons=reasons, keep=(), steps=()).safety is safety


def test_json_gives_answer_reasons_positions_and_steps() -> None:
    guide = guide_for("riser-2", array_box("in_sync", "in_sync", "in_sync", "faulty"))
    answer = json.loads(json.dumps(guide.as_json()))
    assert (answer["position"], answer["drive"], answer["serial"], answer["safety"]) == (
        "riser-2",
        "nvme1",
        "FN0002",
        "not-safe",
    )
    assert [drive["position"] for drive in answer["do_not_touch"]] == ["riser-1", "riser-2", "riser-3"]
    assert answer["reasons"][0]["weight"] == "stops"
    assert all({"title", "says", "commands", "cautions"} == step.keys() for step in answer["steps"])


def test_reasons_come_heaviest_first_and_each_once() -> None:
    reasons = guide_for("system", array_box("in_sync", "in_sync", "in_sync", "faulty")).reasons
    order = [list(Weight).index(reason.weight) for reason in reasons]
    assert order == sorted(order)
    assert len(set(reasons)) == len(reasons)
