"""The plan: how long what takes, by the check values of the trade and of the standard's own bit error ratio."""

from dataclasses import replace

import pytest
from scipy import stats

from boxes.proven_box import RISER_3, targets
from laneproof.proof.plan import BITS_TO_SHOW, Mode, expected_bytes, make_plan
from laneproof.proof.run_record import DriveRun, StageName


def test_three_million_million_bits_without_an_error_show_the_specified_ratio() -> None:
    """The exact Poisson bound for no event, by scipy: chi-square at 2 degrees of freedom, half of it, over 1e-12."""
    assert pytest.approx(stats.chi2.ppf(0.95, 2) / 2 / 1e-12) == BITS_TO_SHOW


@pytest.mark.parametrize(
    ("mode", "seconds", "wakes"),
    [
        ("quick", [15, *[15] * 6, 15, *[5] * 7, 90, 20.16], 8),
        ("default", [60, *[67] * 6, 90, *[10] * 7, 400, 75.6, 900], 30),
        ("thorough", [600, *[669] * 6, 1440, *[60] * 7, 5350, 756, 10_800], 300),
    ],
)
def test_a_mode_takes_as_long_as_it_says(mode: Mode, seconds: list[float], wakes: int) -> None:
    """Five minutes, half an hour, a night; of the seven drives one has a slow link, and six go to rest in 2.1 s."""
    plan = make_plan(targets(), mode)
    assert [step.seconds for step in plan.steps] == pytest.approx(seconds)
    assert plan.seconds == pytest.approx(sum(seconds))
    assert plan.seconds_of(StageName.SMALL) == 7 * plan.steps[8].seconds
    assert plan.shows[StageName.WAKE] == f"{wakes} wakes or more of each drive that goes to rest: 6 of them"
    assert [len(step.drives) for step in plan.steps[15:]] == ([7, 6, 7] if mode != "quick" else [7, 6])


def test_the_plan_says_what_each_stage_shows_and_what_cannot_be_shown() -> None:
    """16 GT/s x4 makes 6.4e10 symbols of a bit a second: about 48 s; 8 GT/s x1 about six minutes."""
    plan = make_plan(targets(), "quick", is_virtual=True)
    assert plan.shows[StageName.ALONE] == (
        "47 s of a generation 4 x4 link at full rate are 3e12 bits; 15 s of this drive without an error show less than "
        "4e-12 a bit; 374 s of a generation 3 x1 link at full rate are 3e12 bits; 15 s of this drive without an error "
        "show less than 4e-11 a bit"
    )
    assert plan.gaps == ("what these stages show, which are left out: heat",)
    assert plan.not_shown == (
        "this is a virtual machine: its links are made up, and nothing is proven of them",
        "waking of wireless: no idle state is on, neither the drive's own nor its link's",
    )


def test_what_is_not_known_of_drives_and_links_cannot_be_shown() -> None:
    drive = targets().drives[0]
    (link,) = (link for link in targets().links.values() if link.path == drive.path)
    unknown = replace(drive, record=drive.record.model_copy(update={"warning_celsius": None}))
    blind = link.model_copy(update={"counting_ends": (), "trained_lanes": None})
    only = replace(targets(), drives=(unknown,), links={link.path: blind}, only=drive.name)
    plan = make_plan(only, is_virtual=None)
    assert plan.gaps == ("whether this is a virtual machine could not be read",)
    assert plan.not_shown == (
        "anything of the other positions: only riser-1 is loaded",
        "errors of riser-1: neither end counts them ('laneproof explain errors-not-counted')",
        "heat of riser-1: no temperature limit is stated",
    )
    assert plan.shows[StageName.ALONE] == "riser-1: its rate or width could not be read, so nothing of its errors"
    assert StageName.TOGETHER not in {step.stage for step in plan.steps}


@pytest.mark.parametrize(
    ("declared", "ceiling", "rate", "expected"),
    [
        (None, 7.2e9, None, 0.7 * 7.2e9),
        (3e9, 7.2e9, None, 3e9),
        (9e9, 7.2e9, None, 7.2e9),
        (None, None, None, 100e6),
        (3e9, 7.2e9, 10**9, 1e9),
    ],
)
def test_a_drive_is_taken_to_read_what_was_declared_of_it_or_most_of_its_link(
    declared: float | None, ceiling: float | None, rate: int | None, expected: float
) -> None:
    drive = DriveRun(name="a", path="0000:00/01.1", declared_read_bytes=declared, ceiling_bytes=ceiling)
    assert expected_bytes(drive, rate) == expected


def test_a_limited_rate_takes_longer_for_the_same_bits() -> None:
    (slow,) = make_plan(targets(RISER_3), rate_bytes=10**9, stages=[StageName.ALONE]).steps
    (fast,) = make_plan(targets(RISER_3), stages=[StageName.ALONE]).steps
    assert slow.seconds == pytest.approx(337, rel=0.05)
    assert fast.seconds == pytest.approx(67, rel=0.05)


def test_stages_that_are_not_wanted_are_left_out() -> None:
    plan = make_plan(targets(), stages=[StageName.WAKE])
    assert {step.stage for step in plan.steps} == {StageName.WAKE}
    assert "wireless" not in plan.steps[0].drives
