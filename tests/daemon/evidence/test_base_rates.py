"""What an alarm is worth, and what few drives can tell."""

import pytest

from laneproof.evidence.base_rates import YearlyRate, share_of_true_alarms, yearly_rate
from laneproof.evidence.not_enough import NotEnough


@pytest.mark.parametrize(
    ("prior", "false_alarms", "share"), [(0.01 / 12, 1e-3, 0.198), (0.01 / 12, 1e-4, 0.712), (0.05, 1e-3, 0.940)]
)
def test_share_of_true_alarms(prior: float, false_alarms: float, share: float) -> None:
    # Positive predictive value, with the recall of 29.6 % of the best published predictor on NVMe (USENIX FAST 2026)
    assert share_of_true_alarms(prior, 0.296, false_alarms) == pytest.approx(share, abs=5e-4)


def test_six_drives_in_a_year_without_failure() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, zero failures: -ln 0.05 / 6 a year
    rate = yearly_rate(0, 6 * 365.0)
    assert isinstance(rate, YearlyRate)
    assert rate.per_year == 0.0
    assert rate.upper_one_sided == pytest.approx(0.499, abs=5e-4)


def test_25_failures_in_934_400_drive_days() -> None:
    rate = yearly_rate(25, 934_400.0)
    assert isinstance(rate, YearlyRate)
    assert rate.per_year == pytest.approx(0.00977, abs=5e-6)
    assert rate.bounds.lower == pytest.approx(0.00632, abs=5e-6)
    assert rate.bounds.upper == pytest.approx(0.01442, abs=5e-6)


def test_nothing_watched_gives_no_verdict() -> None:
    assert isinstance(yearly_rate(0, 0.0), NotEnough)
    assert isinstance(share_of_true_alarms(0.0, 0.5, 0.0), NotEnough)


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="prior"):
        share_of_true_alarms(1.5, 0.5, 0.5)
    with pytest.raises(ValueError, match="failures"):
        yearly_rate(-1, 10.0)
