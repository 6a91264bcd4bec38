"""Before and after: what a change did, with a bound; and whether the box is still as it was proven."""

import functools
from typing import Any

import pytest
from scipy import stats

from boxes.proven_box import RISER_3, drive, run_box, sound_run
from laneproof.proof.comparison import compare_runs
from laneproof.proof.run_record import DriveRun, DriveTally, LinkRun, ProofRun, StageName, WakeRun
from laneproof.proof.simulated_machine import Fault

ALONE = (StageName.ALONE,)


@functools.cache
def bad_run() -> ProofRun:
    return run_box({RISER_3: Fault(errors_per_bit=2e-12)}, seed=3)


def says(before: ProofRun, after: ProofRun, name: str = RISER_3) -> str:
    return "; ".join(next(position.says for position in compare_runs(before, after) if position.name == name))


def test_a_new_cable_that_cures_is_reported_with_both_bounds_and_what_was_changed() -> None:
    parts = sound_run().parts | {RISER_3: "passive-split, flexible-cable blue"}
    after = sound_run().model_copy(update={"parts": parts})
    said = says(bad_run(), after)
    assert "changed: through passive-split, flexible-cable green tape, now passive-split, flexible-cable blue" in said
    assert "then 7e13 bits with" in said
    assert "now 7e13 bits with no error" in said
    assert said.endswith("cured: so few errors come by chance in fewer than one of twenty runs")


def test_what_did_not_change_says_nothing() -> None:
    assert not says(sound_run(), sound_run())
    assert not says(bad_run(), sound_run(), "riser-1")


def test_a_link_that_got_worse_says_how_many_times_with_exact_bounds() -> None:
    """The ratio of two Poisson rates by the conditional binomial; with none before, its lower bound is scipy's beta."""
    said = says(sound_run(), bad_run())
    link = next(link for link in bad_run().links if link.name == RISER_3)
    other = next(link for link in sound_run().links if link.name == RISER_3)
    share = stats.beta.ppf(0.025, link.errors, 1)
    lower = share / (1 - share) * other.bits / link.bits
    assert f"at least {lower:.2g} and at most any number of times as many" in said


def test_too_short_a_clean_run_says_how_much_is_still_needed() -> None:
    quick = run_box(mode="quick", stages=ALONE)
    few = run_box({RISER_3: Fault(errors_per_bit=4e-12)}, mode="quick", stages=ALONE)
    assert "bits more would show a cure" in says(few, quick)


def change(run: ProofRun, name: str, **changes: Any) -> ProofRun:
    drives = tuple(each.model_copy(update=changes) if each.name == name else each for each in run.drives)
    return run.model_copy(update={"drives": drives})


def alone_at(rate: float) -> dict[StageName, DriveTally]:
    stages = drive(sound_run(), RISER_3).stages
    return stages | {StageName.ALONE: DriveTally(seconds=10.0, read_bytes=round(rate * 10))}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"serial": "FP4K-26A-0999"}, "changed: another drive, FP4K-26A-0999"),
        ({"firmware": "9.9"}, "now 9.9"),
        ({"hottest_celsius": 54.0}, "its hottest was 57 °C, now 54 °C"),
        ({"hottest_celsius": 59.5}, ""),
        ({"hottest_celsius": 40.0, "stages": {}}, ""),  # another load warms otherwise
        ({"stages": alone_at(5.0e9)}, "it gave 5.7 GB/s alone, now 5 GB/s"),
        ({"stages": alone_at(6.4e9)}, "it gave 5.7 GB/s alone, now 6.4 GB/s"),
        ({"stages": alone_at(5.3e9)}, ""),
        ({"wake": WakeRun(median_us=63_200.0)}, "waking took 32 ms, now 63 ms"),
        ({"wake": WakeRun(median_us=15_700.0)}, "waking took 32 ms, now 16 ms"),
        ({"wake": WakeRun(median_us=63_000.0)}, ""),
    ],
)
def test_a_drive_says_what_is_other(changes: dict[str, object], said: str) -> None:
    found = says(sound_run(), change(sound_run(), RISER_3, **changes))
    assert said in found
    assert bool(said) is bool(found)


def swap(run: ProofRun) -> ProofRun:
    """Exchange the drives of riser-3 and riser-4; the links stay."""
    third, fourth = (next(d for d in run.drives if d.name == name) for name in (RISER_3, "riser-4"))

    def put(drive: DriveRun) -> DriveRun:
        other = {RISER_3: fourth, "riser-4": third}.get(drive.name, drive)
        return drive.model_copy(update={"serial": other.serial})

    return run.model_copy(update={"drives": tuple(map(put, run.drives))})


def exchange_links(run: ProofRun) -> ProofRun:
    """Let riser-4's link have what riser-3's had, and the other way round."""
    by_name = {link.name: link for link in run.links}

    def put(link: LinkRun) -> LinkRun:
        other = by_name.get({RISER_3: "riser-4", "riser-4": RISER_3}.get(link.name, ""), link)
        return link.model_copy(update={"stages": other.stages})

    return run.model_copy(update={"links": tuple(map(put, run.links))})


def test_errors_that_go_with_the_drive_are_the_drive_s() -> None:
    after = exchange_links(swap(bad_run()))
    assert "the errors went with the drive" in says(bad_run(), after, "riser-4")


def test_errors_that_stay_are_the_position_s() -> None:
    assert "the errors stayed with riser-3" in says(bad_run(), swap(bad_run()), "riser-4")


def change_link(run: ProofRun, name: str, **changes: Any) -> ProofRun:
    links = tuple(each.model_copy(update=changes) if each.name == name else each for each in run.links)
    return run.model_copy(update={"links": links})


@pytest.mark.parametrize("changes", [{"counting_ends": ()}, {"stages": {}}])
def test_no_error_of_a_link_that_does_not_count_or_carried_nothing_is_no_cure(changes: dict[str, object]) -> None:
    said = says(bad_run(), change_link(sound_run(), RISER_3, **changes))
    assert "its errors are not compared" in said
    assert "cured" not in said
    moved = change_link(exchange_links(swap(bad_run())), RISER_3, **changes)
    assert says(bad_run(), moved, "riser-4").startswith("changed: its drive was in riser-3")
    assert "went with" not in says(bad_run(), moved, "riser-4")
