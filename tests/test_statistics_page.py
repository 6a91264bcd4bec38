"""The page of tests: every test that the code names is defined there, and its worked example is what scipy computes."""

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.special import xlogy

from laneproof.evidence import (
    bursts,
    change_point,
    cusum,
    episode_patterns,
    fail_slow,
    growth,
    heat,
    rate_comparison,
    two_by_two,
    wear,
)
from laneproof.evidence.alarm_budget import ALARM_P, FALSE_ALARMS_PER_YEAR
from laneproof.evidence.bit_error_ratio import against_specification, bits_carried
from laneproof.evidence.fix_trial import acceptance_seconds, clean_time_needed
from laneproof.evidence.link_training import LinkReading, clean_boots_needed, settled, short_boots
from laneproof.evidence.not_enough import NotEnough
from support.unread_answers import known

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "docs" / "statistics.md").read_text()
SECTIONS = {
    int(number): text for number, text in re.findall(r"^## T(\d+) (.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL)
}


def same(ours: float, theirs: float) -> float:
    """Give the figure, once this program and the reference agree on it."""
    assert ours == pytest.approx(theirs, rel=1e-6)
    return theirs


def link_state() -> str:
    states = [LinkReading(at=i, gt_s=8.0, lanes=n, under_load=i == 3) for i, n in enumerate((4, 2, 2, 2))]
    assert isinstance(settled(states[:3]), NotEnough)
    return f"the state is x{known(settled(states)).lanes}, from the last 3 readings"


def boots() -> str:
    bounds, theirs = known(short_boots(2, 9)), stats.beta(2.5, 7.5)
    lower, upper = same(bounds.lower, theirs.ppf(0.025)), same(bounds.upper, theirs.ppf(0.975))
    clean = next(n for n in range(200) if stats.binom.cdf(0, n, 0.05) < 0.05)
    assert clean_boots_needed(0.05) == clean
    return f"a share of {lower:.4f} to {upper:.4f} at 95 %; {clean} clean boots"


def specification() -> str:
    test = known(against_specification(5, bits_carried(gt_s=16.0, lanes=4, seconds=10.0)))
    return f"{test.allowed:.2f} are allowed: p = {same(test.p, stats.poisson.sf(4, 0.64)):.3e}"


def against_others() -> str:
    test = known(rate_comparison.against_siblings(37, 24.0, 4, 72.0))
    theirs = stats.binomtest(37, 41, 0.25, "greater")
    share = stats.binomtest(37, 41).proportion_ci(method="exact")
    lower, upper = (same(ours, 3 * q / (1 - q)) for ours, q in zip(
        (test.ratio_bounds().lower, test.ratio_bounds().upper), (share.low, share.high), strict=True))  # fmt: skip
    return f"p = {same(test.p, theirs.pvalue):.3e}, ratio {37 * 3 / 4:.1f} ({lower:.2f} to {upper:.0f}) at 95 %"


def against_past() -> str:
    test = known(rate_comparison.against_history(4, 24.0, 2, 720.0))
    return f"p = {same(test.p, stats.nbinom.sf(3, 2.5, 720 / 744)):.3e}"


def uneven() -> str:
    counts = [0, 0, 14, 0, 1, 0, 0, 22, 0, 0, 3, 0]
    test, table = known(bursts.dispersion(counts)), known(two_by_two.fisher((9, 1431, 2, 4318)))
    chi = same(test.statistic, float(11 * np.var(counts, ddof=1) / np.mean(counts)))
    fisher = stats.fisher_exact([[9, 1431], [2, 4318]], "greater").pvalue
    return f"chi-square {chi:.1f}, p = {same(test.p, stats.chi2.sf(chi, 11)):.3e}|p = {same(table.p, fisher):.3e}"


def climbing() -> str:
    score = cusum.Cusum(normal_rate=0.2, changed_rate=1.0, threshold=cusum.threshold(8760))
    theirs, hour, reached = 0.0, 0, 0
    for count in (0, 0, 1, 0, 0, 0, 2, 1, 3, 2, 1, 2):
        hour, score, theirs = hour + 1, score.after(count, 1.0), max(0.0, theirs + count * np.log(5) - 0.8)
        reached = reached or (hour if score.alarm else 0)
    return f"S ends at {same(score.score, theirs):.4f}|h = ln 8760 = {np.log(8760):.3f} is reached in hour {reached}"


def onset() -> str:
    days = np.array([0, 1, 0, 0, 0, 1, 0, 0, 4, 6, 5, 7])
    early, expected = days.cumsum()[:-1], days.sum() * np.arange(1, 12) / 12
    late = days.sum() - early
    g = 2 * (xlogy(early, early / expected) + xlogy(late, late / (days.sum() - expected)))
    test = known(change_point.change_point(days.tolist(), [1.0] * 12))
    assert test.split == g.argmax() + 1
    return f"a change after day {test.split}, G = {same(test.statistic, g.max()):.3f}"


def accelerating() -> str:
    times = np.array([100, 160, 200, 225, 240, 250, 256, 260])
    test = known(growth.growth(times.tolist(), 270.0))
    u = same(test.laplace.u, (times.mean() - 135) / (270 / np.sqrt(12 * 8)))
    law = same(test.power_law.statistic, 2 * np.log(270 / times).sum())
    p, q = same(test.laplace.p, stats.norm.sf(u)), same(test.power_law.p, stats.chi2.cdf(law, 16))
    return f"U = {u:.3f}, p = {p:.5f}; statistic {law:.3f}, p = {q:.5f}"


def worn() -> str:
    left = known(wear.by_percentage(12, 15, 180.0))
    assert (left.days, left.shortest_days, left.longest_days) == tuple(85 * 180 / points for points in (3, 4, 2))
    return f"{left.days:.0f} days to 100 % ({left.shortest_days:.0f} to {left.longest_days:.0f})"


def hot() -> str:
    counts, scores = np.array([2, 3, 9, 22]), np.arange(4)
    test = known(heat.rate_rises_with_heat(counts.tolist(), [1.0] * 4))
    z = same(test.z, ((scores * counts).sum() - 36 * scores.mean()) / np.sqrt(36 * scores.var()))
    return f"Z = {z:.3f}, p = {same(test.p, stats.norm.sf(z)):.3e}"


def cache() -> str:
    tables = np.array([[12, 3, 4, 1], [2, 3, 2, 36]])
    test = known(two_by_two.mantel_haenszel([(12, 3, 4, 1), (2, 3, 2, 36)]))
    assert not heat.is_slow_for_heat((12, 3, 4, 1), (2, 3, 2, 36))
    hypergeometric = [stats.hypergeom(a + b + c + d, a + c, a + b) for a, b, c, d in tables]
    off = abs(sum(tables[:, 0]) - sum(each.mean() for each in hypergeometric)) - 0.5
    chi = same(test.chi_square, off**2 / sum(each.var() for each in hypergeometric))
    return f"chi-square {chi:.3f}, p = {same(test.p, stats.chi2.sf(chi, 1)):.3f}"


def slow() -> str:
    return f"p = {same(known(fail_slow.slow_blocks(8, 288)).p, stats.binom.sf(7, 288, 0.006)):.3e}"


def together() -> str:
    gaps = np.array([11.6, 12.3, 11.9, 12.2, 12.4, 11.8])
    test = known(episode_patterns.clockwork([0.0, *(gaps.cumsum() * 3600)]))
    variation = same(test.variation, gaps.std(ddof=1) / gaps.mean())
    drawn = np.random.default_rng(3).exponential(size=(200_000, 6))
    critical = np.quantile(drawn.std(axis=1, ddof=1) / drawn.mean(axis=1), 0.01)
    assert episode_patterns.clockwork_critical(6) == pytest.approx(critical, rel=0.02)
    p = same(known(episode_patterns.state_share(6, 7, 0.09)).p, stats.binom.sf(5, 7, 0.09))
    return f"p = {p:.3e}|{variation:.4f}, where random gaps undercut {episode_patterns.clockwork_critical(6):.3f}"


def trial() -> str:
    needed = known(clean_time_needed(4, 10.0))
    assert stats.nbinom.cdf(0, 4.5, 10 / (10 + needed)) == pytest.approx(0.05)
    seconds = same(known(acceptance_seconds(gt_s=16.0, lanes=4)), stats.chi2.isf(0.05, 2) / 2 / 0.064)
    return f"{needed:.2f} clean days|after {seconds:.1f} s"


def worth() -> str:
    pi, tests = 0.01 / 12, 6 * 8 * 365
    true = pi * 0.296 / (pi * 0.296 + (1 - pi) * 0.001)
    assert tests * ALARM_P <= FALSE_ALARMS_PER_YEAR
    most = stats.chi2.isf(0.05, 2) / 2 / 6
    return f"makes {tests:,} tests|alpha = {FALSE_ALARMS_PER_YEAR / tests:.2e}|{true:.1%}|{most:.1%}".replace("%", " %")


EXAMPLES: dict[int, Callable[[], str]] = {
    1: link_state, 2: boots, 3: specification, 4: against_others, 5: against_past, 6: uneven, 7: climbing, 8: onset,
    9: accelerating, 10: worn, 11: hot, 12: cache, 13: slow, 14: together, 15: trial, 16: worth,
}  # fmt: skip


@pytest.mark.parametrize("number", EXAMPLES)
def test_the_worked_example_is_what_is_computed(number: int) -> None:
    section = " ".join(SECTIONS[number].split())
    for figures in EXAMPLES[number]().split("|"):
        assert figures in section


def test_every_test_that_the_code_names_is_defined() -> None:
    code = "".join(path.read_text() for path in (ROOT / "daemon").rglob("*.py"))
    named = {int(number) for number in re.findall(r"\(T([1-9]\d*)\b", code)}
    assert named == set(range(1, 16))
    assert set(SECTIONS) == named | {16}
    for number, text in SECTIONS.items():
        assert all(f"**{part}** " in text for part in ("Asks", "Counts", "Source", "Code", "Example")), number


def test_every_function_that_the_page_names_is_there() -> None:
    evidence = ROOT / "daemon" / "laneproof" / "evidence"
    for path, names in re.findall(r"`evidence/(\w+\.py)`((?:[^`]*`[\w.]+`)*)", PAGE):
        code = (evidence / path).read_text()
        for name in re.findall(r"`([\w.]+)`", names):
            assert re.search(rf"def {name.split('.')[-1]}\b", code), f"{path} has no {name}"


def test_a_figure_that_is_wrong_is_noticed() -> None:
    assert math.isclose(stats.poisson.sf(4, 0.64), 5.271e-4, rel_tol=1e-3)
    with pytest.raises(AssertionError):
        same(5.3e-4, stats.poisson.sf(4, 0.64))
