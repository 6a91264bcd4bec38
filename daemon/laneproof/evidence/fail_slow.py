"""Is a drive slow against its siblings under the same load?

Fixed latency limits fail in the field, since every drive slows under load. Compared are only windows in which the
siblings carried nearly the same load, and a drive counts as slow only when it stays so for minutes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import median

from laneproof.evidence.distributions import Surprise, log_binomial_at_least, require_count, require_exposure
from laneproof.evidence.not_enough import NotEnough

SLOW_RATIO = 2.0
SLOW_SECONDS = 300.0
"""Twice as slow as the siblings' median for five minutes. Source: NVMe fail-slow field study, USENIX ATC 2022."""

SLOW_BASE_SHARE = 0.006
"""Share of drive hours that ordinary SSDs spend at half their peers' pace or worse. Source: tail-at-store study, USENIX
FAST 2016 (0.58 %, rounded up)."""

FEWEST_SIBLINGS = 3
LOAD_TOLERANCE = 0.25
"""How far a sibling's load may lie from the drive's own, as a share of the larger one. Our choice."""

ALARM_EVENTS = 3
ALARM_DAYS = 2
_DAY_SECONDS = 86400.0


def is_load_near(own: float, sibling: float) -> bool:
    """Did two drives carry nearly the same load in a window: operations, or bytes, a second?

    Two idle drives may not be compared: they show no latency.

    Raises:
        ValueError: A negative load.
    """
    require_exposure(own, "the load")
    require_exposure(sibling, "the sibling's load")
    larger = max(own, sibling)
    return larger > 0.0 and abs(own - sibling) <= LOAD_TOLERANCE * larger


def relative_latency(own: float, siblings: Sequence[float]) -> float | NotEnough:
    """How many times slower than its siblings is the drive in this window (T13)?

    Args:
        own: Mean latency of the drive, any unit.
        siblings: Mean latencies of the siblings with nearly equal load in the same window.

    Returns:
        The drive's latency over the median of the others.

    Raises:
        ValueError: A negative latency.

    Source: NVMe fail-slow field study, USENIX ATC 2022.
    """
    require_exposure(own, "the latency")
    for latency in siblings:
        require_exposure(latency, "each sibling's latency")
    if len(siblings) < FEWEST_SIBLINGS:
        return NotEnough(f"{len(siblings)} siblings with nearly equal load; {FEWEST_SIBLINGS} are needed")
    middle = median(siblings)
    return own / middle if middle > 0.0 else NotEnough("the siblings show no latency")


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowSpell:
    """One spell in which a drive was slow against its siblings."""

    began: float  # start of its first window, unix seconds
    ended: float  # end of its last window, unix seconds
    mean_ratio: float  # mean of the relative latencies in it


def slow_spells(windows: Sequence[tuple[float, float, float]]) -> tuple[SlowSpell, ...]:
    """When was the drive slow for minutes on end (T13)?

    Args:
        windows: Start (unix seconds), length (seconds) and relative latency of each comparable window, in order of
            time. Windows that could not be compared are left out, and end a run.

    Returns:
        The spells: stretches of adjoining windows, just long enough, whose mean ratio is `SLOW_RATIO` or more;
        stretches that overlap are one spell.
    """
    spells: list[SlowSpell] = []
    for run in _adjoining(windows):
        ratios = [0.0, *accumulate(width * slowness for _, width, slowness in run)]
        lengths = [0.0, *accumulate(width for _, width, _ in run)]
        first, began, ended = 0, None, 0
        for last in range(1, len(run) + 1):
            while lengths[last] - lengths[first + 1] >= SLOW_SECONDS:
                first += 1  # the shortest stretch that is long enough and ends here
            length = lengths[last] - lengths[first]
            if length < SLOW_SECONDS or (ratios[last] - ratios[first]) / length < SLOW_RATIO:
                continue
            if began is not None and first <= ended:
                ended = last
            else:
                if began is not None:
                    spells.append(_spell(run, began, ended))
                began, ended = first, last
        if began is not None:
            spells.append(_spell(run, began, ended))
    return tuple(spells)


def _adjoining(windows: Sequence[tuple[float, float, float]]) -> list[list[tuple[float, float, float]]]:
    runs: list[list[tuple[float, float, float]]] = []
    for window in windows:
        if runs and window[0] - (runs[-1][-1][0] + runs[-1][-1][1]) <= window[1] / 2.0:
            runs[-1].append(window)
        else:
            runs.append([window])
    return runs


def _spell(run: Sequence[tuple[float, float, float]], began: int, ended: int) -> SlowSpell:
    part = run[began:ended]
    whole = math.fsum(length for _, length, _ in part)
    return SlowSpell(
        began=part[0][0],
        ended=part[-1][0] + part[-1][1],
        mean_ratio=math.fsum(length * ratio for _, length, ratio in part) / whole,
    )


def is_slow_for_days(spells: Sequence[SlowSpell]) -> bool:
    """Do the spells recur enough, on enough days (UTC), to disturb somebody?

    One that goes on over midnight counts on each of its days.
    """
    first_and_last = ((int(spell.began // _DAY_SECONDS), int(spell.ended // _DAY_SECONDS)) for spell in spells)
    slow_days = [day for first, last in first_and_last for day in range(first, last + 1)]
    return len(slow_days) >= ALARM_EVENTS and len(set(slow_days)) >= ALARM_DAYS


def slow_blocks(slow: int, blocks: int) -> Surprise | NotEnough:
    """Is the drive slow more often than ordinary drives are (T13)?

    Args:
        slow: Blocks of time with a slow spell.
        blocks: Blocks of time that could be compared.

    Returns:
        p = P(Bin(blocks, `SLOW_BASE_SHARE`) >= slow).

    Raises:
        ValueError: A negative number, or more slow blocks than blocks.

    Source: exact binomial tail.
    """
    require_count(slow, "the slow blocks")
    require_count(blocks, "the blocks")
    if slow > blocks:
        raise ValueError(f"{slow} slow blocks among {blocks}")
    if blocks == 0:
        return NotEnough("no block of time in which the siblings carried nearly the same load")
    return Surprise(log_p=log_binomial_at_least(slow, blocks, SLOW_BASE_SHARE))
