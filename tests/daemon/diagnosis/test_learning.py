"""Learning from confirmed cases: slowly, and only where something was known."""

import pytest

from laneproof.diagnosis.causes import posterior_of
from laneproof.diagnosis.learning import correct_weights
from laneproof.diagnosis.weights import DEFAULT, CauseName, Weights
from laneproof.past.notes import ConfirmedCause


def chance(weights: Weights, feature: str, cause: str) -> float:
    return next(known for known in weights.features if known.name == feature).given[cause]


def case(cause: str, **evidence: bool | None) -> ConfirmedCause:
    return ConfirmedCause(at=1.0, episode=None, cause=cause, evidence=evidence)


def test_the_first_opinion_counts_as_ten_cases() -> None:
    # Mean of a beta distribution after binomial data: (10 p + seen) / (10 + cases)
    cases = [case("signal-path", drops_under_load=True) for _ in range(3)]
    cases.append(case("signal-path", drops_under_load=False))
    weights = correct_weights(cases)
    assert chance(weights, "drops_under_load", "signal-path") == pytest.approx((10 * 0.45 + 3) / 14)


def test_other_causes_and_features_stay() -> None:
    weights = correct_weights([case("signal-path", drops_under_load=True)])
    assert chance(weights, "drops_under_load", "heat") == 0.50
    assert chance(weights, "regular_period", "signal-path") == 0.03
    assert weights.priors == DEFAULT.priors


def test_what_nobody_knew_is_no_case() -> None:
    assert correct_weights([case("signal-path", drops_under_load=None)]) == DEFAULT
    assert correct_weights([]) == DEFAULT


def test_chances_never_reach_an_end() -> None:
    weights = correct_weights([case("heat", media_errors_rising=True) for _ in range(1000)])
    assert 0.99 < chance(weights, "media_errors_rising", "heat") < 1.0


def test_a_box_learns_its_own_ways() -> None:
    seen = {"drops_under_load": True, "regular_period": True}
    before = posterior_of(seen)[CauseName.SHARED_SUPPLY]
    weights = correct_weights([case("shared-supply", regular_period=True, drops_under_load=True) for _ in range(5)])
    assert posterior_of(seen, weights)[CauseName.SHARED_SUPPLY] > 2 * before


def test_a_cause_or_a_feature_that_another_version_knew_counts_nothing() -> None:
    assert correct_weights([case("gremlins", drops_under_load=True), case("heat", moon_phase=True)]) == DEFAULT
