"""The weights as data: complete, well formed, and refused where they could not be scored."""

from dataclasses import replace

import pytest

from laneproof.diagnosis.weights import CAUSE_WORDS, DEFAULT, CauseName, Feature, Weights


def test_priors_add_up_to_one() -> None:
    assert sum(DEFAULT.priors.values()) == pytest.approx(1.0)


def test_every_scored_cause_has_words_and_a_chance_in_each_feature() -> None:
    scored = set(CauseName) - {CauseName.UNDETERMINED}
    assert set(DEFAULT.priors) == scored == set(CAUSE_WORDS)
    assert all(set(feature.given) == scored for feature in DEFAULT.features)


@pytest.mark.parametrize("feature", DEFAULT.features, ids=lambda feature: feature.name)
def test_every_feature_says_what_was_seen_what_was_not_and_where_its_numbers_come_from(feature: Feature) -> None:
    assert feature.seen
    assert feature.absent
    assert feature.seen != feature.absent
    assert feature.source.startswith("judgement")


def test_a_feature_that_no_cause_moves_would_tell_nothing() -> None:
    assert all(max(feature.given.values()) > 1.5 * min(feature.given.values()) for feature in DEFAULT.features)


@pytest.mark.parametrize("chance", [0.0, 1.0, -0.1, 1.5])
def test_a_chance_that_would_silence_all_other_evidence_is_refused(chance: float) -> None:
    first = DEFAULT.features[0]
    broken = replace(first, given={**first.given, CauseName.HEAT: chance})
    with pytest.raises(ValueError, match="aer_above_siblings"):
        Weights(priors=DEFAULT.priors, features=(broken,))
    with pytest.raises(ValueError, match="prior"):
        Weights(priors={**DEFAULT.priors, CauseName.HEAT: chance}, features=DEFAULT.features)


def test_a_feature_without_a_cause_is_refused() -> None:
    first = DEFAULT.features[0]
    short = {cause: p for cause, p in first.given.items() if cause != CauseName.HEAT}
    with pytest.raises(ValueError, match="for each cause"):
        Weights(priors=DEFAULT.priors, features=(replace(first, given=short),))


def test_a_name_given_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="given twice"):
        Weights(priors=DEFAULT.priors, features=(DEFAULT.features[0], DEFAULT.features[0]))
