"""A fix on trial: the clean time it needs, and what becomes of it."""

import pytest
from scipy import stats

from laneproof.evidence.distributions import poisson_upper
from laneproof.evidence.fix_trial import TrialOutcome, TrialVerdict, acceptance_seconds, clean_time_needed, judge_trial
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

DAY = 86400.0


def judged(before: int, before_days: float, after: int, after_days: float) -> TrialVerdict:
    return known(judge_trial(before, before_days * DAY, after, after_days * DAY))


@pytest.mark.parametrize(
    ("events", "days", "alpha", "clean_days"),
    [(4, 10, 0.05, 9.46), (4, 10, 0.01, 17.83), (2, 1, 0.05, 2.31), (10, 10, 0.05, 3.30)],
)
def test_clean_time_that_a_fix_needs(events: int, days: float, alpha: float, clean_days: float) -> None:
    # Negative binomial with Jeffreys' prior: P(no event) = alpha
    needed = known(clean_time_needed(events, days * DAY, alpha))
    assert needed / DAY == pytest.approx(clean_days, abs=5e-3)
    assert stats.nbinom.cdf(0, events + 0.5, days * DAY / (days * DAY + needed)) == pytest.approx(alpha)


def test_three_over_the_rate_is_too_short() -> None:
    needed = known(clean_time_needed(4, 10 * DAY))
    plug_in = poisson_upper(0, 0.05) / (4 / (10 * DAY))
    assert plug_in / DAY == pytest.approx(7.49, abs=5e-3)
    assert needed > 1.2 * plug_in


def test_a_trial_counts_down_and_ends() -> None:
    counting = judged(4, 10, 0, 3)
    assert counting.outcome is TrialOutcome.COUNTING
    assert counting.remaining_seconds / DAY == pytest.approx(6.46, abs=5e-3)
    cured = judged(4, 10, 0, 9.5)
    assert cured.outcome is TrialOutcome.CURED
    assert cured.remaining_seconds == 0.0
    assert cured.log_p < judged(4, 10, 0, 9.4).log_p


def test_one_event_ends_hope() -> None:
    assert judged(4, 10, 1, 3).outcome is TrialOutcome.NOT_CURED


def test_rarer_than_chance_is_better_not_cured() -> None:
    trial = judged(40, 10, 2, 10)
    assert trial.outcome is TrialOutcome.BETTER
    assert trial.log_p == pytest.approx(stats.nbinom.logcdf(2, 40.5, 0.5), rel=1e-9)


@pytest.mark.parametrize(("gt_s", "lanes", "seconds"), [(8, 4, 93.6), (16, 4, 46.8), (8, 1, 374.5)])
def test_error_free_time_that_a_new_path_needs(gt_s: float, lanes: int, seconds: float) -> None:
    # -ln 0.05 = 2.9957 expected errors at 1e-12 per bit
    assert acceptance_seconds(gt_s=gt_s, lanes=lanes) == pytest.approx(seconds, abs=0.05)


def test_nothing_to_cure_gives_no_verdict() -> None:
    assert isinstance(clean_time_needed(0, 10 * DAY), NotEnough)
    assert isinstance(clean_time_needed(3, 0.0), NotEnough)
    assert isinstance(judge_trial(0, DAY, 0, DAY), NotEnough)
    assert isinstance(acceptance_seconds(gt_s=8, lanes=0), NotEnough)


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="alpha"):
        clean_time_needed(4, DAY, alpha=0.0)
    with pytest.raises(ValueError, match="events since"):
        judge_trial(4, DAY, -1, DAY)
    with pytest.raises(ValueError, match="time since"):
        judge_trial(4, DAY, 0, -DAY)
