import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.desk.rebuild import Rebuild, at_least_once, estimate_rebuild

TB = 10**12
YEAR = 365.25 * 86400


def test_twelve_terabytes_at_one_error_in_1e14_bits_fail_in_six_of_ten_reads() -> None:
    # The trade's own example of the risk at level 5: 12 TB are 0.96e14 bits, and 1 - exp(-0.96) = 62 %; no source
    assert at_least_once(1e-14, 12 * TB * 8) == pytest.approx(0.617, abs=0.001)


def test_four_terabytes_at_200_megabytes_a_second_take_five_and_a_half_hours() -> None:
    # Capacity over rate; common practice, no source
    made = _rebuild(member_bytes=4 * TB, bytes_per_second=200e6)
    assert made.seconds / 3600 == pytest.approx(5.56, abs=0.01)


@given(st.floats(0, 0.99), st.floats(0, 50 * YEAR))
def test_chance_of_failure_agrees_with_the_exponential_distribution(rate: float, seconds: float) -> None:
    # A general reference library: scipy.stats.expon; after one year the chance is the annual rate itself
    scale = -1 / math.log1p(-rate) if rate else math.inf
    wanted = stats.expon.cdf(seconds / YEAR, scale=scale) if rate else 0.0
    assert at_least_once(rate, seconds / YEAR) == pytest.approx(wanted, rel=1e-9, abs=1e-300)
    assert at_least_once(rate, 1) == pytest.approx(rate, rel=1e-9)


@given(st.integers(0, 10**8), st.floats(1e-18, 1e-6))
def test_chance_of_an_unreadable_bit_agrees_with_the_geometric_distribution(bytes_read: int, chance: float) -> None:
    # scipy.stats.geom: the first failure within so many trials
    wanted = stats.geom.cdf(bytes_read * 8, chance)
    assert at_least_once(chance, bytes_read * 8) == pytest.approx(wanted, rel=1e-6, abs=1e-12)


def test_certain_failures_are_certain() -> None:
    assert [at_least_once(1.0, trials) for trials in (0, 1e-9, 1)] == [0.0, 1.0, 1.0]


def _rebuild(
    *, member_bytes: int = TB, bytes_per_second: float = 200e6, spare_failures: int = 0, survivors: int = 4
) -> Rebuild:
    return estimate_rebuild(
        member_bytes=member_bytes,
        read_members=survivors,
        survivors=survivors,
        spare_failures=spare_failures,
        bytes_per_second=bytes_per_second,
        limited_by="test",
        annual_failure_rate=0.05,
        unreadable_per_bit=1e-15,
    )


def test_second_failure_is_a_loss_where_none_is_spare() -> None:
    made = _rebuild()
    assert made.loss_probability == made.second_failure_probability
    assert made.unreadable_loses_data


@pytest.mark.parametrize("spare", [1, 2])
def test_more_failures_than_are_spare_agree_with_the_binomial_distribution(spare: int) -> None:
    # scipy.stats.binom, survival function
    made = _rebuild(spare_failures=spare)
    fails = at_least_once(0.05, made.seconds / YEAR)
    assert made.second_failure_probability == pytest.approx(stats.binom.sf(0, 4, fails), rel=1e-9)
    assert made.loss_probability == pytest.approx(stats.binom.sf(spare, 4, fails), rel=1e-6)
    assert made.unreadable_probability == pytest.approx(stats.geom.cdf(8 * 4 * TB, 1e-15), rel=1e-6)
    assert not made.unreadable_loses_data
