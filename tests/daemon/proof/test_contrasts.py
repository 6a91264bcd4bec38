"""Contrasts between stages: each fault of a known cause shows its own, and a sound drive shows none."""

from collections.abc import Mapping

import pytest

from laneproof.diagnosis.weights import DEFAULT
from laneproof.proof.contrasts import find_features, find_sleep
from laneproof.proof.run_record import StageName, WakeRun
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


@pytest.mark.parametrize(
    ("changes", "slept", "why"),
    [
        ({}, True, "a read after rest took 30 ms"),
        ({"median_us": 95.0}, None, "most did not"),
        ({"median_us": 95.0, "longest_us": 130.0}, False, "never entered state 4: the longest of 30 reads after 2.5 s"),
        ({"median_us": 95.0, "longest_us": 4500.0}, False, "never entered state 4"),  # a tenth of 41 ms, and a read
        ({"median_us": 4700.0}, True, "5 ms"),
        ({"exit_us": None}, None, "the time to leave state 4 is not stated"),
        ({"exit_us": 200}, None, "200 us at most, which no read can show"),
        ({"state": None, "exit_us": None}, None, "only its link rests"),
        ({"reads": 0, "median_us": None, "longest_us": None}, None, "no read after its rest ended"),
    ],
)
def test_whether_a_drive_slept_shows_in_the_first_read_after_its_rest(
    changes: dict[str, object], *, slept: bool | None, why: str
) -> None:
    known = {"state": 4, "idle_seconds": 2.5, "exit_us": 41_000, "reads": 30, "median_us": 30_000.0}
    wake = WakeRun.model_validate(known | {"longest_us": 40_000.0} | changes)
    found, said = find_sleep(drive(sound_run(), RISER_3).model_copy(update={"wake": wake}))
    assert found is slept
    assert why in said


def test_a_read_of_a_drive_that_is_slow_awake_shows_no_sleep() -> None:
    wake = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=8000.0, longest_us=9000.0)
    slow = {"wake": wake, "small_read_us": 6000.0}
    assert find_sleep(drive(sound_run(), RISER_3).model_copy(update=slow))[0] is False


def test_a_drive_that_never_slept_woke_with_no_error() -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)})
    mine = drive(run, RISER_3)
    assert find_features(run, mine)["errors_on_wake_only"] is False
    awake = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=90.0, longest_us=130.0)
    assert find_features(run, mine.model_copy(update={"wake": awake}))["errors_on_wake_only"] is None


@pytest.mark.parametrize(
    ("changes", "seen"),
    [
        ({"warning_minutes": 1}, True),
        ({"held_back_seconds": 5.0}, True),
        ({"stopped": "it reached its critical temperature: 85 °C"}, True),
        ({"stopped": "it reports that it is failing"}, False),
        ({"hottest_celsius": 80.0, "warning_celsius": 80.0}, True),
        ({"hottest_celsius": None}, None),
    ],
)
def test_each_sign_of_too_much_heat_is_one_by_itself(changes: dict[str, object], *, seen: bool | None) -> None:
    found = find_features(sound_run(), drive(sound_run(), RISER_3).model_copy(update=changes))
    assert found["warning_minutes_rising"] is seen
