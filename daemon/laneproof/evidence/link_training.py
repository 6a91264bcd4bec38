"""How a link trained: when its state may be spoken of, and how often it comes up short.

What it should have trained at is arithmetic (see `laneproof.box.link_rates`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from laneproof.evidence.distributions import CONFIDENCE, Bounds, jeffreys, require_count
from laneproof.evidence.not_enough import NotEnough

READINGS_TO_AGREE = 3
SECONDS_BETWEEN = 1.0
"""Three readings a second apart, since a link may be caught while it retrains. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkReading:
    """One reading of a link's trained state."""

    at: float  # when, in seconds of any steady clock
    gt_s: float
    lanes: int
    under_load: bool  # whether data flowed: an idle link may have been slowed on purpose


def settled(readings: Sequence[LinkReading]) -> LinkReading | NotEnough:
    """What is the link's state, once it may be spoken of (T1)?

    Args:
        readings: Readings in order of time.

    Returns:
        The last reading, if it and the two before it agree, lie a second or more apart, and one of them saw load.
    """
    last = readings[-READINGS_TO_AGREE:]
    if len(last) < READINGS_TO_AGREE:
        return NotEnough(f"{len(last)} readings of the link; {READINGS_TO_AGREE} are needed")
    if any(later.at - earlier.at < SECONDS_BETWEEN for earlier, later in pairwise(last)):
        return NotEnough("the readings of the link lie less than a second apart")
    if len({(state.gt_s, state.lanes) for state in last}) > 1:
        return NotEnough("the readings of the link do not agree")
    if not any(state.under_load for state in last):
        return NotEnough("the link was read only while idle")
    return last[-1]


def short_boots(short: int, boots: int) -> Bounds | NotEnough:
    """On what share of the boots seen does the link train below its plan (T2)?

    Raises:
        ValueError: A negative number, or more short boots than boots.

    Source: L. Brown, T. Cai, A. DasGupta, Interval Estimation for a Binomial Proportion, Statistical Science 16 (2001).
    """
    require_count(boots, "the number of boots")
    if boots == short == 0:
        return NotEnough("no boot was seen yet")
    return jeffreys(short, boots)


def clean_boots_needed(share: float) -> int:
    """How many boots in a row must come up well to show that fewer than the given share do not?

    Raises:
        ValueError: The share does not lie between 0 and 1.

    Source: P(no short boot in n) = (1 - share)^n.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"the share must lie between 0 and 1, not {share!r}")
    return math.ceil(math.log1p(-CONFIDENCE) / math.log1p(-share))
