"""The checks: one for each feature that can be tried, safe ones, with the cautions that belong to them."""

import pytest

from laneproof.advice import DEGRADED_ARRAY, FIRMWARE_SETUP, MOST_STEPS, NOTE_SETTING, OPEN_CASE, Step, advise
from laneproof.diagnosis.next_steps import CHECKS, REMEDIES
from laneproof.diagnosis.weights import DEFAULT, CauseName

STEPS = [*(check.step for check in CHECKS.values()), *(step for steps in REMEDIES.values() for step in steps)]


def test_every_feature_that_can_be_tried_has_a_check_and_every_check_a_feature() -> None:
    assert set(CHECKS) == {feature.name for feature in DEFAULT.features if not feature.by_watching}


@pytest.mark.parametrize("cause", [cause for cause in CauseName if cause is not CauseName.UNDETERMINED])
def test_every_cause_says_what_to_do_and_opens_the_case_last(cause: CauseName) -> None:
    steps = REMEDIES[cause]
    assert 0 < len(steps) <= MOST_STEPS
    assert [step.is_hands_on for step in steps] == sorted(step.is_hands_on for step in steps)
    assert len(advise(*steps)) == len(steps)


def test_a_drive_that_fails_is_copied_before_anything_else() -> None:
    assert REMEDIES[CauseName.DRIVE_FAILING][0].says.startswith("Copy what matters")


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.says[:30])
def test_what_handles_parts_or_settings_has_its_cautions(step: Step) -> None:
    says = step.says.lower()
    if "with the power off" in says or "heat sink" in says or "shielded" in says:
        assert OPEN_CASE in step.cautions
    if "with the power off" in says or "read from all drives" in says:
        assert DEGRADED_ARRAY in step.cautions
    if "switch idle states" in says:
        assert NOTE_SETTING in step.cautions
    if "board's setup" in says:
        assert FIRMWARE_SETUP in step.cautions
    assert not any(word in says for word in ("format", "erase", "mkfs", "dd "))  # nothing writes to a drive
