"""The alarm budget: how surprising something must be before it is reported, and before anybody is disturbed.

A false alarm costs more than a day's delay. So the thresholds come from how many tests a box makes in a year, and an
alarm needs, besides surprise, an effect large enough to matter.
"""

import math
from typing import Literal

from laneproof.evidence.distributions import Surprise

Level = Literal["alarm", "notice"]

ALARM_P = 1e-5
NOTICE_P = 1e-3
RATIO_FLOOR = 3.0
"""A rate must be this many times the other, at the lower bound, to disturb somebody. All three are our choice."""

FALSE_ALARMS_PER_YEAR = 0.2
"""One false alarm per box in five years. Our choice."""


def grade(surprise: Surprise, ratio_lower_bound: float | None) -> Level | None:
    """Who should hear of it?

    Args:
        surprise: How unlikely it is if nothing is wrong.
        ratio_lower_bound: Lower bound of how many times worse it is, None where the test knows no ratio.

    Returns:
        "alarm" to disturb somebody, "notice" to be read when one looks, None to record it only.
    """
    large = ratio_lower_bound is not None and ratio_lower_bound >= RATIO_FLOOR
    if large and surprise.log_p <= math.log(ALARM_P):
        return "alarm"
    return "notice" if surprise.log_p <= math.log(NOTICE_P) else None
