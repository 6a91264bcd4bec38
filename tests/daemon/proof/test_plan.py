"""The plan: how long what takes, by the check values of the trade and of the standard's own bit error ratio."""

import pytest
from scipy import stats

from laneproof.proof.plan import BITS_TO_SHOW, make_plan, seconds_to_show
from laneproof.proof.run_record import StageName
from proven_box import RISER_3, targets

GEN_4_X4, GEN_3_X1 = "riser-1", "wireless"


def full_rate(name: str) -> float:
    """Give how long a link at full rate takes to show what it is to show."""
    target = next(target for target in targets().drives if target.name == name)
    ceiling = target.record.ceiling_bytes
    assert ceiling is not None
    return seconds_to_show(targets(), target, ceiling)


def test_three_million_million_bits_without_an_error_show_the_specified_ratio() -> None:
    """The exact Poisson bound for no event, by scipy: chi-square at 2 degrees of freedom, half of it, over 1e-12."""
    assert pytest.approx(stats.chi2.ppf(0.95, 2) / 2 / 1e-12) == BITS_TO_SHOW


@pytest.mark.parametrize(("name", "seconds"), [(GEN_4_X4, 48), (GEN_3_X1, 360)])
def test_seconds_at_full_rate_are_those_of_the_link_s_bits(name: str, seconds: float) -> None:
    """16 GT/s x4 makes 6.4e10 symbols of a bit a second: 48 s; 8 GT/s x1 about six minutes."""
    assert full_rate(name) == pytest.approx(seconds, rel=0.05)


@pytest.mark.parametrize(
    ("mode", "least", "most"), [("quick", 200, 420), ("default", 1200, 2200), ("thorough", 5 * 3600, 12 * 3600)]
)
def test_a_mode_takes_about_as_long_as_it_says(mode: str, least: float, most: float) -> None:
    assert least <= make_plan(targets(), mode).seconds <= most  # type: ignore[arg-type]


def test_the_plan_says_what_each_stage_shows_and_what_cannot_be_shown() -> None:
    plan = make_plan(targets(), "quick", is_virtual=True)
    assert "47 s of a generation 4 x4 link at full rate are 3e12 bits" in plan.shows[StageName.ALONE]
    assert "374 s of a generation 3 x1 link" in plan.shows[StageName.ALONE]
    said = " ".join((*plan.gaps, *plan.not_shown))
    assert "virtual machine" in said
    assert "waking of wireless: no idle state is on" in said
    assert "left out: heat" in said


def test_a_limited_rate_takes_longer_for_the_same_bits() -> None:
    (slow,) = make_plan(targets(RISER_3), rate_bytes=10**9, stages=[StageName.ALONE]).steps
    (fast,) = make_plan(targets(RISER_3), stages=[StageName.ALONE]).steps
    assert slow.seconds == pytest.approx(337, rel=0.05)
    assert fast.seconds == pytest.approx(67, rel=0.05)


def test_stages_that_are_not_wanted_are_left_out() -> None:
    plan = make_plan(targets(), stages=[StageName.WAKE])
    assert {step.stage for step in plan.steps} == {StageName.WAKE}
    assert "wireless" not in plan.steps[0].drives
