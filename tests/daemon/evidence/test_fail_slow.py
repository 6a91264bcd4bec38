"""Slow against siblings: relative latency, spells, base rate, and how many readings a quantile needs."""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from laneproof.evidence.fail_slow import (
    SlowSpell,
    is_load_near,
    is_slow_for_days,
    relative_latency,
    slow_blocks,
    slow_spells,
)
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

MINUTE = 60.0
DAY = 86400.0


def minutes(ratios: Sequence[float], start: float = 0.0) -> list[tuple[float, float, float]]:
    return [(start + i * MINUTE, MINUTE, ratio) for i, ratio in enumerate(ratios)]


@pytest.mark.parametrize(("slow", "blocks", "p"), [(9, 12, 2.2e-18), (8, 288, 4.06e-4), (3, 288, 0.250)])
def test_slow_blocks_against_ordinary_drives(slow: int, blocks: int, p: float) -> None:
    # Exact binomial tail against the base share of 0.6 % (tail-latency field study, USENIX FAST 2016)
    test = known(slow_blocks(slow, blocks))
    assert test.p == pytest.approx(p, rel=0.02)
    assert test.p == pytest.approx(stats.binom.sf(slow - 1, blocks, 0.006), rel=1e-9)


def test_relative_latency_is_taken_from_the_median() -> None:
    assert relative_latency(600.0, [200.0, 300.0, 9000.0]) == 2.0
    assert isinstance(relative_latency(600.0, [200.0, 300.0]), NotEnough)
    assert isinstance(relative_latency(600.0, [0.0, 0.0, 0.0]), NotEnough)


@pytest.mark.parametrize(("own", "other", "near"), [(100, 80, True), (100, 70, False), (0, 0, False), (80, 100, True)])
def test_only_nearly_equal_loads_compare(own: float, other: float, near: bool) -> None:
    assert is_load_near(own, other) is near


def test_five_slow_minutes_are_a_spell() -> None:
    (spell,) = slow_spells(minutes([1, 1, 2, 2, 2, 2, 2, 1, 1]))
    assert (spell.began, spell.ended) == (2 * MINUTE, 7 * MINUTE)
    assert spell.mean_ratio == 2.0


def test_four_slow_minutes_are_none() -> None:
    assert slow_spells(minutes([1, 2, 2, 2, 2, 1])) == ()


def test_a_long_spell_is_one() -> None:
    (spell,) = slow_spells(minutes([3] * 30))
    assert (spell.began, spell.ended) == (0.0, 30 * MINUTE)


def test_two_spells_apart_are_two() -> None:
    spells = slow_spells(minutes([3] * 6 + [1] * 20 + [3] * 6))
    assert [spell.began for spell in spells] == [0.0, 24 * MINUTE]


def test_a_gap_ends_a_run() -> None:
    broken = minutes([2] * 4) + minutes([2] * 4, start=10 * MINUTE)
    assert slow_spells(broken) == ()


@given(ratios=st.lists(st.floats(0.0, 4.0), max_size=40))
def test_spells_hold_the_mean_and_the_length_asked(ratios: list[float]) -> None:
    spells = slow_spells(minutes(ratios))
    for spell in spells:
        assert spell.ended - spell.began >= 300.0
    for before, after in pairwise(spells):
        assert before.ended <= after.began
    slow_somewhere = any(sum(ratios[i : i + 5]) / 5 >= 2.0 + 1e-9 for i in range(len(ratios) - 4))
    assert bool(spells) or not slow_somewhere


def test_three_spells_on_two_days_disturb_somebody() -> None:
    spells = [slow_spells(minutes([3] * 6, start=start))[0] for start in (0.0, 7200.0, DAY)]
    assert is_slow_for_days(spells)
    assert not is_slow_for_days(spells[:2])
    assert not is_slow_for_days([spells[0], spells[1], spells[1]])


@pytest.mark.parametrize(("days", "alarms"), [(1.5, False), (2.5, True)])
def test_one_spell_that_goes_on_counts_on_each_of_its_days(*, days: float, alarms: bool) -> None:
    assert is_slow_for_days([SlowSpell(began=0.0, ended=days * DAY, mean_ratio=3.0)]) is alarms


def test_nothing_comparable_gives_no_verdict() -> None:
    assert isinstance(slow_blocks(0, 0), NotEnough)
    assert slow_spells([]) == ()


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(ValueError, match="13 slow blocks among 12"):
        slow_blocks(13, 12)
    with pytest.raises(ValueError, match="latency"):
        relative_latency(-1.0, [1.0, 1.0, 1.0])
    with pytest.raises(ValueError, match="load"):
        is_load_near(-1.0, 1.0)
