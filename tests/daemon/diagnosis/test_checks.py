"""The checks: one for each feature, safe ones, with the cautions that belong to them."""

import pytest

from laneproof.diagnosis.checks import CHECKS, DEGRADED, NO_LIVE_PULL, OPEN_CASE, REMEDIES, REVERSIBLE
from laneproof.diagnosis.weights import DEFAULT, CauseName


def test_every_feature_that_can_be_tried_has_a_check_and_every_check_a_feature() -> None:
    assert set(CHECKS) == {feature.name for feature in DEFAULT.features if not feature.by_watching}


def test_every_cause_says_what_to_do() -> None:
    assert set(REMEDIES) == set(CauseName) - {CauseName.UNDETERMINED}
    assert all(steps and all(steps) for steps in REMEDIES.values())


@pytest.mark.parametrize("feature", ["follows_slot_on_swap"])
def test_what_opens_the_case_says_how_not_to_be_hurt(feature: str) -> None:
    steps = CHECKS[feature].steps()
    assert {OPEN_CASE, NO_LIVE_PULL, DEGRADED} <= set(steps)


def test_every_remedy_that_handles_parts_warns_of_the_open_case() -> None:
    for cause in (CauseName.SIGNAL_PATH, CauseName.HEAT, CauseName.DRIVE_FAILING, CauseName.SHARED_SUPPLY):
        assert OPEN_CASE in REMEDIES[cause]


def test_every_setting_is_to_be_noted_first() -> None:
    assert REVERSIBLE in CHECKS["pm_off_cured"].steps()
    assert REVERSIBLE in CHECKS["speed_cap_cured"].steps()


def test_the_clean_time_stands_in_the_step() -> None:
    assert "for 10 days." in CHECKS["pm_off_cured"].steps("10 days")[0]
    assert "for the clean time that a trial asks for." in CHECKS["pm_off_cured"].steps()[0]
    assert not any("{" in sentence for check in CHECKS.values() for sentence in check.steps())


def test_nothing_asks_to_write_to_a_drive() -> None:
    sentences = [sentence for check in CHECKS.values() for sentence in check.steps()]
    sentences += [sentence for steps in REMEDIES.values() for sentence in steps]
    assert not any(word in sentence.lower() for sentence in sentences for word in ("format", "erase", "mkfs", "dd "))
