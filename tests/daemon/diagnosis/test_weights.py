"""The weights as data: complete, well formed, and refused where they could not be scored."""

from dataclasses import replace

import pytest

from laneproof.diagnosis.weights import (
    CAUSE_WORDS,
    DEFAULT,
    FIRMWARE_SETTING,
    CauseName,
    Feature,
    Weights,
    say_cause,
)

OF_RECORD = """\
aer_above_siblings signal tried 0.8 0.25 0.15 0.1 0.15 0.25
link_below_expected signal tried 0.55 0.1 0.05 0.1 0.15 0.15
speed_cap_cured signal tried 0.85 0.1 0.15 0.05 0.1 0.1
drops_after_idle_exit power tried 0.05 0.7 0.03 0.1 0.3 0.05
pm_off_cured power tried 0.2 0.8 0.03 0.05 0.35 0.03
drops_under_load load tried 0.45 0.05 0.5 0.3 0.2 0.55
hot_before_drop load tried 0.1 0.03 0.85 0.2 0.08 0.12
media_errors_rising media tried 0.03 0.03 0.15 0.7 0.1 0.05
follows_slot_on_swap swap tried 0.9 0.35 0.4 0.03 0.15 0.8
several_drives_together shared tried 0.1 0.1 0.05 0.02 0.08 0.8
power_lost_at_drive shared tried 0.1 0.1 0.05 0.1 0.1 0.65
began_after_update change tried 0.1 0.25 0.05 0.07 0.6 0.08
regular_period time tried 0.03 0.15 0.08 0.05 0.4 0.05
power_cycle_needed recovery tried 0.25 0.45 0.35 0.55 0.5 0.3
errors_between_drops signal watched 0.7 0.12 0.08 0.05 0.06 0.1
only_replays signal watched 0.06 0.35 0.05 0.05 0.15 0.05
idle_states_on power watched 0.55 0.95 0.55 0.55 0.65 0.55
warning_minutes_rising load watched 0.06 0.05 0.93 0.12 0.06 0.08
slow_against_siblings pace watched 0.15 0.04 0.5 0.4 0.2 0.04
spare_falling media watched 0.02 0.02 0.08 0.5 0.04 0.02
media_errors_often media watched 0.01 0.01 0.06 0.5 0.03 0.01
still_on_the_bus answers watched 0.12 0.12 0.4 0.6 0.65 0.04
same_model_affected model watched 0.06 0.15 0.06 0.05 0.5 0.1
began_after_drive_firmware change watched 0.02 0.03 0.02 0.02 0.55 0.02
period_of_its_own time watched 0.005 0.005 0.005 0.01 0.45 0.005
drops_or_resets drops watched 0.6 0.97 0.5 0.5 0.95 0.97
errors_follow_bits experiment watched 0.85 0.05 0.1 0.06 0.08 0.12
errors_on_wake_only experiment watched 0.03 0.85 0.02 0.05 0.25 0.03
errors_when_hot_only experiment watched 0.03 0.01 0.93 0.08 0.03 0.03
errors_all_loaded_only experiment watched 0.08 0.02 0.12 0.04 0.04 0.85
slow_alone experiment watched 0.05 0.02 0.05 0.8 0.15 0.03
fails_on_small_reads experiment watched 0.03 0.05 0.03 0.15 0.65 0.03
"""
"""Each feature with its group, how it is learned, and its chances in the order of the causes: no number of the table is
changed by accident. Judgement, as the table itself says."""


def test_the_weights_are_those_of_record() -> None:
    table = [
        (feature.name, feature.group, "watched" if feature.by_watching else "tried", *feature.given.values())
        for feature in DEFAULT.features
    ]
    rows = [line.split() for line in OF_RECORD.splitlines()]
    assert table == [(*row[:3], *map(float, row[3:])) for row in rows]
    assert tuple(DEFAULT.priors.values()) == (0.30, 0.25, 0.10, 0.15, 0.10, 0.10)


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


def test_a_feature_that_no_cause_moves_would_show_nothing() -> None:
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


def test_every_cause_has_words_for_people() -> None:
    assert not [name for name in (*CauseName, FIRMWARE_SETTING) if "-" in say_cause(name)]
