"""Steps for a screen: five at most, and each caution once however many findings carry it."""

from dataclasses import replace

from boxes.troubled_box import SIGN
from laneproof.advice import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE
from laneproof.outputs.steps_and_cautions import list_cautions, list_steps


def test_cautions_are_taken_out_of_the_steps() -> None:
    finding = replace(SIGN, next_steps=(DEGRADED_ARRAY, f"Reseat the drive. {OPEN_CASE}", "Look at its cable."))
    assert list_steps(finding) == ("Reseat the drive.", "Look at its cable.")


def test_a_finding_shows_five_steps_at_most_and_none_twice() -> None:
    many = replace(SIGN, next_steps=("Look.", "Look.", *(f"Step {number}." for number in range(9))))
    assert list_steps(many) == ("Look.", "Step 0.", "Step 1.", "Step 2.", "Step 3.")


def test_each_caution_of_several_findings_is_there_once() -> None:
    findings = [replace(SIGN, next_steps=(f"Reseat. {OPEN_CASE}",)), replace(SIGN, next_steps=(OPEN_CASE, LIVE_DRIVE))]
    assert list_cautions(findings) == (OPEN_CASE, LIVE_DRIVE)
    assert list_cautions([SIGN]) == ()
