"""Gaps in the watch: an hour in which nobody watched is no hour in which nothing happened. Pure."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from laneproof.findings import format_time, write_time
from laneproof.history.boots import HOLE_SECONDS
from laneproof.history.series import Watch
from laneproof.rules.sign_subjects import say_seconds

_MOST_SHOWN = 3


class Gap(NamedTuple):
    """A stretch in which nobody watched, unix seconds."""

    begins: float
    ends: float

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.ends - self.begins


def find_unwatched(watches: Iterable[Watch], since: float, until: float) -> tuple[Gap, ...]:
    """Find the stretches between two times, unix seconds, in which nobody watched.

    How far the last watch goes is noted every few minutes only, so a pause that short is none.
    """
    gaps, seen = [], since
    for watch in sorted(watches, key=lambda watch: watch.began_at):
        if min(watch.began_at, until) - seen > HOLE_SECONDS:
            gaps.append(Gap(seen, min(watch.began_at, until)))
        seen = max(seen, watch.ended_at)
    if until - seen > HOLE_SECONDS:
        gaps.append(Gap(seen, until))
    return tuple(gaps)


def say_watched(gaps: Sequence[Gap], since: float, until: float) -> str:
    """Say in a sentence when nobody watched between two times, unix seconds."""
    if not gaps:
        return "Watched all the time."
    if sum(gap.seconds for gap in gaps) >= until - since:
        return "Nobody watched in that time: what happened then is not known."
    longest = sorted(sorted(gaps, key=lambda gap: -gap.seconds)[:_MOST_SHOWN])
    shown = ", ".join(
        f"since {_moment(gap.begins)}" if gap.ends == until else f"{_moment(gap.begins)} to {_moment(gap.ends)}"
        for gap in longest
    )
    rest = f", the longest of {len(gaps)} times" if len(gaps) > len(longest) else ""
    total = say_seconds(sum(gap.seconds for gap in gaps))
    return (
        f"Not watched for {total} of that time ({shown} UTC{rest}): the machine was off, or nobody watched it; what "
        "happened then is not known."
    )


def gaps_as_json(gaps: Iterable[Gap]) -> list[dict[str, Any]]:
    """Give the stretches as JSON values."""
    return [{"since": format_time(gap.begins), "until": format_time(gap.ends)} for gap in gaps]


def _moment(t: float) -> str:
    return write_time(t).removesuffix(" UTC")
