"""The made-up machine is the same for one seed, and errs as often as it was told to."""

import pytest
from scipy import stats

from boxes.proven_box import RISER_3, drive, run_box, sound_run
from laneproof.proof.run_record import StageName
from laneproof.proof.simulated_machine import Fault


def test_a_seed_is_a_story() -> None:
    faults = {RISER_3: Fault(errors_per_bit=1e-12)}
    assert run_box(faults, mode="quick", seed=7) == run_box(faults, mode="quick", seed=7)
    assert run_box(faults, mode="quick", seed=7) != run_box(faults, mode="quick", seed=8)


def test_errors_come_at_their_rate() -> None:
    """A Poisson count within the bounds that scipy gives it, one run in ten thousand outside."""
    run = run_box({RISER_3: Fault(errors_per_bit=1e-11)}, mode="quick")
    link = next(link for link in run.links if link.name == RISER_3)
    low, high = stats.poisson.ppf((5e-5, 1 - 5e-5), 1e-11 * link.bits)
    assert low <= link.errors <= high
    assert link.bits == pytest.approx(5.5e12, rel=0.1)


LOADED = {StageName.ALONE, StageName.SMALL, StageName.TOGETHER, StageName.HEAT}


@pytest.mark.parametrize(
    ("fault", "stages"),
    [
        (Fault(), set()),
        (Fault(errors_per_bit=2e-11), LOADED),
        (Fault(errors_per_wake=0.5), {StageName.WAKE}),
        (Fault(hot_errors_per_bit=2e-11, hot_celsius=58.0, warm_celsius=66.0), {StageName.TOGETHER, StageName.HEAT}),
        (Fault(crowded_errors_per_bit=2e-11), {StageName.TOGETHER, StageName.HEAT}),
    ],
)
def test_errors_come_when_their_fault_says(fault: Fault, stages: set[StageName]) -> None:
    run = run_box({RISER_3: fault})
    assert {
        stage for link in run.links if link.name == RISER_3 for stage in link.stages if link.stages[stage].errors
    } == (stages)
    assert not [link.name for link in run.links if link.name != RISER_3 and link.errors]


@pytest.mark.parametrize(
    ("fault", "kind", "stages"),
    [
        (Fault(resets_per_second={StageName.SMALL: 0.5}), "reset", {StageName.SMALL}),
        (Fault(resets_per_second={StageName.WAKE: 0.2}), "reset", {StageName.WAKE}),
        (Fault(media_errors_per_second=0.3), "media-error", LOADED),
    ],
)
def test_failures_come_when_their_fault_says(fault: Fault, kind: str, stages: set[StageName]) -> None:
    run = run_box({RISER_3: fault})
    assert {(happened.name, happened.kind) for happened in run.happenings} == {(RISER_3, kind)}
    assert {happened.stage for happened in run.happenings} == stages
    mine = drive(run, RISER_3)
    loaded = sum(tally.seconds for stage, tally in mine.stages.items() if stage in LOADED)
    assert mine.media_errors == pytest.approx(fault.media_errors_per_second * loaded, rel=0.2)


def test_a_sound_drive_gives_four_fifths_of_its_link_and_warms_up() -> None:
    mine = drive(sound_run(), RISER_3)
    assert mine.rate(StageName.ALONE) == pytest.approx(0.8 * (mine.ceiling_bytes or 0), rel=0.02)
    assert mine.rate(StageName.SMALL) == pytest.approx(250_000 * 4096, rel=1e-3)
    assert mine.stages[StageName.SMALL].reads == pytest.approx(250_000 * 11)
    assert mine.hottest_celsius == pytest.approx(57, abs=1)
    assert (mine.throttled, mine.media_errors) == (0, 0)
    wake = mine.wake
    assert wake is not None
    assert wake.reads == pytest.approx(30, abs=15)  # one every 2.5 s, by chance
    assert wake.median_us is not None
    assert wake.median_us == pytest.approx(90 + 0.7 * 45_000)
    assert wake.longest_us == pytest.approx(3 * wake.median_us)
    deck = drive(sound_run(), "deck-1")
    assert deck.rate(StageName.TOGETHER) == pytest.approx((deck.ceiling_bytes or 0) / 2, rel=0.02)


def test_a_slow_a_hot_and_a_throttled_drive_are_what_they_were_made_to_be() -> None:
    sound = drive(sound_run(), RISER_3)
    slow = drive(run_box({RISER_3: Fault(pace=0.1)}), RISER_3)
    assert slow.rate(StageName.ALONE) == pytest.approx(0.1 * (sound.rate(StageName.ALONE) or 0), rel=0.02)
    hot = drive(run_box({RISER_3: Fault(warm_celsius=66.0, throttles_celsius=60.0)}), RISER_3)
    assert hot.hottest_celsius == pytest.approx(66, abs=1)
    assert hot.throttled >= 1
    assert hot.last_heat_bytes == pytest.approx(0.4 * (sound.last_heat_bytes or 0), rel=0.02)


def test_drives_that_share_something_are_reset_at_one_moment_of_each_stage_with_all_loaded() -> None:
    run = run_box(together=frozenset((RISER_3, "riser-4")))
    moments = {(happened.stage, happened.at) for happened in run.happenings}
    assert {stage for stage, _ in moments} == {StageName.TOGETHER, StageName.HEAT}
    assert len(moments) == 2
    assert [happened.name for happened in run.happenings] == [RISER_3, "riser-4"] * 2
