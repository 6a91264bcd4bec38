"""Contrasts between stages: each fault of a known cause shows its own, and a sound drive shows none."""

from collections.abc import Mapping

import pytest

from laneproof.diagnosis.weights import DEFAULT
from laneproof.proof.contrasts import find_features
from laneproof.proof.run_record import StageName
from laneproof.proof.simulated_machine import Fault
from proven_box import RISER_3, drive, run_box, sound_run

CONTRASTS = (
    "errors_follow_bits",
    "errors_on_wake_only",
    "errors_when_hot_only",
    "errors_all_loaded_only",
    "slow_alone",
    "fails_on_small_reads",
)


def features(fault: Fault, *, together: frozenset[str] = frozenset()) -> Mapping[str, bool | None]:
    run = run_box({RISER_3: fault}, together=together)
    return find_features(run, drive(run, RISER_3))


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        (Fault(errors_per_bit=2e-12), "errors_follow_bits"),
        (Fault(errors_per_wake=0.5), "errors_on_wake_only"),
        (Fault(hot_errors_per_bit=2e-12, hot_celsius=55.0, warm_celsius=66.0), "errors_when_hot_only"),
        (Fault(crowded_errors_per_bit=3e-12), "errors_all_loaded_only"),
        (Fault(pace=0.1), "slow_alone"),
        (Fault(resets_per_second={StageName.SMALL: 0.5}), "fails_on_small_reads"),
    ],
)
def test_a_fault_shows_its_own_contrast_and_no_other(fault: Fault, seen: str) -> None:
    found = features(fault)
    assert found[seen] is True
    assert not [name for name in CONTRASTS if name != seen and found[name]]


def test_a_sound_drive_shows_no_contrast() -> None:
    found = find_features(sound_run(), drive(sound_run(), RISER_3))
    assert not [name for name in CONTRASTS if found[name]]
    assert found["slow_alone"] is False
    assert found["aer_above_siblings"] is False
    assert found["only_replays"] is None, "nothing was repeated, so nothing alone"
    assert found["link_below_expected"] is False


def test_drives_that_are_reset_at_one_moment_are_told_together() -> None:
    found = features(Fault(), together=frozenset((RISER_3, "riser-4")))
    assert found["several_drives_together"] is True
    assert found["drops_under_load"] is True
    assert found["drops_after_idle_exit"] is False


def test_a_link_with_errors_of_its_own_does_not_only_repeat() -> None:
    assert features(Fault(errors_per_bit=2e-12))["only_replays"] is False


def test_a_drive_that_throttles_was_slowed_by_heat() -> None:
    found = features(Fault(warm_celsius=66.0, throttles_celsius=60.0))
    assert found["errors_when_hot_only"] is True
    assert found["slow_alone"] is False


def test_every_feature_is_one_that_the_diagnosis_knows() -> None:
    known = {feature.name for feature in DEFAULT.features}
    found = features(Fault(resets_per_second={StageName.WAKE: 0.1}))
    assert found.keys() <= known
