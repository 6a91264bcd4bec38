"""Moments as people write them after an @: a day, an instant, how long ago, or now."""

import os
import re
from datetime import UTC, datetime

from laneproof.commands.errors import CommandError

_AGO = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)([smhdw])", re.ASCII)
_SECONDS = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0, "w": 7 * 86400.0}
_UNIX = re.compile(r"\d{9,11}(?:\.\d{1,6})?", re.ASCII)
_END = 253_402_300_800.0  # the end of the year 9999, beyond which no date can be written
NOW = "now"
FORMS = "write 2026-11-20, 2026-11-20T08:30:00Z, 30d (s, m, h, d or w ago), unix seconds, or now"


def parse_moment(text: str, *, now: float) -> float:
    """Parse a moment, in unix seconds.

    It is ``now``; ``30d`` and the like, counted back from `now`; a day, which means its first moment; a day and time;
    or unix seconds. Days and times without a zone are UTC, as in everything that is printed here.

    Raises:
        CommandError: It is no moment (64).
    """
    if text == NOW:
        return now
    seconds = _read(text, now)
    if seconds is None or not 0 <= seconds < _END:
        raise CommandError(f"{text!r} is no moment; {FORMS}", status=os.EX_USAGE)
    return seconds


def _read(text: str, now: float) -> float | None:
    if match := _AGO.fullmatch(text):
        return now - float(match[1]) * _SECONDS[match[2]]
    if _UNIX.fullmatch(text):
        return float(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def is_relative(text: str) -> bool:
    """Whether a moment counts from now or from the end of a recording."""
    return text == NOW or _AGO.fullmatch(text) is not None
