"""Three-valued answers, seen, absent or unknown: how one is made of many."""

from collections.abc import Iterable

from laneproof.evidence.distributions import Surprise
from laneproof.evidence.episode_patterns import state_share

Known = bool | None
"""True for seen, False for looked for and absent, None for unknown."""

_HALF, _FEW = 0.5, 0.25
_SURE_SHARE = 0.7
_LOG_SURE = -2.81  # ln 0.06: what chance does less than once in sixteen times. Judgement
_COMMON_SHARE = 0.65
_FEWEST_EPISODES = 4
_FEWEST_ABSENT = 2  # one occasion in another state is no proof against this one


def majority(answers: Iterable[Known]) -> Known:
    """Seen where half of the known answers say so, absent where hardly any do, else unknown."""
    known = [answer for answer in answers if answer is not None]
    if not known:
        return None
    share = sum(known) / len(known)
    return True if share >= _HALF else False if share <= _FEW else None


def favours(count: int, whole: int, share: float | None, *, mostly: float) -> Known:
    """Whether episodes favour a state in which the drive spends a share of its time.

    Most episodes in a state mean nothing where the drive is nearly always in it. So this is seen where chance would
    hardly put so many there, or where nearly all of several came in a state that does not hold nearly always. It is
    absent where hardly any came in the state, or fewer than the share `mostly` that a fault of that kind would put
    there.
    """
    if whole == 0:
        return None
    is_rare = whole >= _FEWEST_ABSENT and count <= _FEW * whole
    if is_rare or _is_unlikely(whole - count, whole, 1.0 - mostly):
        return False
    if share is None or not 0.0 < share < 1.0 or count < _SURE_SHARE * whole:
        return None
    common = whole >= _FEWEST_EPISODES and share <= _COMMON_SHARE
    return True if common or _is_unlikely(count, whole, share) else None


def _is_unlikely(count: int, whole: int, share: float) -> bool:
    surprise = state_share(count, whole, share)
    return isinstance(surprise, Surprise) and surprise.log_p <= _LOG_SURE
