"""The running score: worked steps, its guarantee, and its true gap and delay by an independent Markov chain."""

import math
import random

import numpy as np
import pytest
from scipy import stats

from laneproof.evidence.cusum import Cusum, sparse_rate, threshold
from laneproof.evidence.not_enough import NotEnough

NORMAL, CHANGED = 0.2, 1.0  # events an hour
COUNTS = [0, 0, 1, 0, 0, 0, 2, 1, 3, 2, 1, 2]


def started(h: float) -> Cusum:
    return Cusum(normal_rate=NORMAL, changed_rate=CHANGED, threshold=h)


def test_score_hour_by_hour() -> None:
    # E. S. Page 1954 with the log likelihood ratio of two Poisson rates
    score, scores = started(99.0), []
    for count in COUNTS:
        score = score.after(count, 1.0)
        scores.append(score.score)
    expected = [0, 0, 0.8094, 0.0094, 0, 0, 2.4189, 3.2283, 7.2566, 9.6755, 10.4849, 12.9038]
    assert scores == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("steps", "h", "fires"), [(1000, 6.908, 9), (8760, 9.078, 10), (87600, 11.381, 12)])
def test_alarm_at_the_step_that_the_threshold_asks(steps: float, h: float, fires: int) -> None:
    assert threshold(steps) == pytest.approx(h, abs=5e-4)
    score = started(threshold(steps))
    alarms = []
    for step, count in enumerate(COUNTS, 1):
        score = score.after(count, 1.0)
        if score.alarm:
            alarms.append(step)
    assert alarms[0] == fires


def test_the_climb_shows_about_when_it_began() -> None:
    score = started(threshold(1000))
    for count in COUNTS[:9]:
        score = score.after(count, 1.0)
    assert score.alarm
    assert score.climbing_exposure == 3.0  # steps 7, 8 and 9
    assert score.climbing_events == 6


def mean_gap(h: float, rate: float, cells: int = 1600) -> float:
    """Mean steps to an alarm from zero, by the Markov chain of Brook and Evans (1972), score cut into cells."""
    width = h / cells
    middles = np.arange(cells) * width
    gain, drift = math.log(CHANGED / NORMAL), CHANGED - NORMAL
    moves = np.zeros((cells, cells))
    for count in range(60):
        chance = stats.poisson.pmf(count, rate)
        there = np.rint((middles + count * gain - drift) / width).astype(int)
        inside = there < cells
        np.add.at(moves, (np.arange(cells)[inside], np.maximum(there, 0)[inside]), chance)
    return float(np.linalg.solve(np.eye(cells) - moves, np.ones(cells))[0])


def test_mean_gap_between_false_alarms_keeps_lorden_s_promise() -> None:
    # Markov chain 7,423 steps at h = ln 1000, where 1,000 are promised (Lorden 1971)
    assert mean_gap(threshold(1000), NORMAL) == pytest.approx(7423, abs=1)


@pytest.mark.parametrize(("steps", "rate", "delay"), [(1000, 1.0, 9.3), (87600, 1.0, 15.1), (87600, 0.5, 119.0)])
def test_mean_delay_of_an_alarm(steps: float, rate: float, delay: float) -> None:
    # Monte Carlo figures; the witness is the Markov chain, and our own score on drawn counts agrees with both
    assert mean_gap(threshold(steps), rate) == pytest.approx(delay, rel=0.02)


def test_our_score_on_drawn_counts_agrees_with_the_chain() -> None:
    draw, delays = random.Random(7), []
    for _ in range(400):
        score, step = started(threshold(87600)), 0
        while not score.alarm:
            step += 1
            arrivals, at = 0, draw.expovariate(1.0)
            while at < 1.0:
                arrivals, at = arrivals + 1, at + draw.expovariate(1.0)
            score = score.after(arrivals, 1.0)
        delays.append(step)
    assert sum(delays) / len(delays) == pytest.approx(15.1, rel=0.08)


def test_rate_of_a_quiet_past_is_above_zero() -> None:
    assert sparse_rate(0, 720.0) == pytest.approx(0.5 / 720)
    assert isinstance(sparse_rate(0, 0.0), NotEnough)


@pytest.mark.parametrize(
    ("normal", "changed", "h"), [(0.0, 1.0, 5.0), (1.0, 1.0, 5.0), (2.0, 1.0, 5.0), (0.2, 1.0, 0.0)]
)
def test_rates_that_cannot_show_a_change_are_refused(normal: float, changed: float, h: float) -> None:
    with pytest.raises(ValueError, match=r"changed rate|threshold"):
        Cusum(normal_rate=normal, changed_rate=changed, threshold=h)


def test_impossible_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="number of events"):
        started(5.0).after(-1, 1.0)
    with pytest.raises(ValueError, match="exposure"):
        started(5.0).after(1, -1.0)
    with pytest.raises(ValueError, match="above 1"):
        threshold(1.0)
