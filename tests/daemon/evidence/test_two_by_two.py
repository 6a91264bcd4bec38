"""Tables of two by two against scipy and worked figures."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.stats.contingency import odds_ratio

from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.two_by_two import fisher, mantel_haenszel
from support.unread_answers import known

CELLS = st.tuples(*(st.integers(0, 200) for _ in range(4)))


@given(table=CELLS)
def test_fisher_agrees_with_scipy(table: tuple[int, int, int, int]) -> None:
    a, b, c, d = table
    test = fisher(table)
    if isinstance(test, NotEnough):
        assert a + b == 0 or c + d == 0
        return
    theirs = stats.hypergeom.sf(a - 1, a + b + c + d, a + c, a + b)
    assert theirs < 1e-250 or math.isclose(test.p, theirs, rel_tol=1e-8)
    sample = odds_ratio([[a, b], [c, d]], kind="sample").statistic if a + c and b + d else None
    assert test.odds_ratio is None or test.odds_ratio == pytest.approx(sample)


def test_minutes_with_errors_against_siblings() -> None:
    # 9 of 1440 minutes against 2 of 4320; scipy's own exact test as the witness
    test = known(fisher((9, 1431, 2, 4318)))
    assert test.odds_ratio == pytest.approx(13.58, abs=5e-3)
    assert test.p == pytest.approx(1.241e-4, rel=1e-3)
    assert test.p == pytest.approx(stats.fisher_exact([[9, 1431], [2, 4318]], "greater").pvalue, rel=1e-8)


def test_a_table_of_a_million_stays_exact() -> None:
    # scipy's hypergeometric tail as the witness
    test = known(fisher((520, 99_480, 4_100, 895_900)))
    assert test.p == pytest.approx(stats.hypergeom.sf(519, 1_000_000, 4_620, 100_000), rel=1e-7)


def test_both_sides_of_the_mean() -> None:
    below, above = known(fisher((1, 19, 19, 1))), known(fisher((19, 1, 1, 19)))
    assert below.p == pytest.approx(stats.hypergeom.sf(0, 40, 20, 20), rel=1e-12)
    assert above.p == pytest.approx(stats.hypergeom.sf(18, 40, 20, 20), rel=1e-9)


def test_mantel_haenszel_by_strata() -> None:
    # Mantel and Haenszel 1959, continuity corrected, of two strata
    test = known(mantel_haenszel([(12, 3, 4, 1), (2, 3, 2, 36)]))
    assert test.chi_square == pytest.approx(1.057, abs=5e-4)
    assert test.p == pytest.approx(0.304, abs=5e-4)
    assert test.p == pytest.approx(stats.chi2.sf(test.chi_square, 1), rel=1e-9)
    assert test.odds_ratio == pytest.approx(3.08, abs=5e-3)


def test_one_stratum_has_the_odds_ratio_of_its_table() -> None:
    assert known(mantel_haenszel([(14, 6, 3, 37)])).odds_ratio == pytest.approx(14 * 37 / (6 * 3))


def test_what_shows_nothing_gives_no_verdict() -> None:
    assert isinstance(fisher((0, 0, 3, 4)), NotEnough)
    assert isinstance(mantel_haenszel([]), NotEnough)
    assert isinstance(mantel_haenszel([(5, 5, 0, 0), (0, 1, 0, 0)]), NotEnough)
    nothing = known(fisher((0, 5, 0, 5)))
    assert (nothing.odds_ratio, nothing.p) == (None, 1.0)


def test_negative_cells_are_refused() -> None:
    with pytest.raises(ValueError, match="each cell"):
        fisher((1, -1, 0, 0))
    with pytest.raises(ValueError, match="each cell"):
        mantel_haenszel([(1, -1, 0, 0)])
