"""A SATA or SAS drive's own temperature limits, as smartctl reports them: in its text, else in its JSON.

A limit that no drive could mean (a field that its maker left at 0, or at its largest value) is none.

Source: smartmontools ataprint.cpp (SCT Temperature History) and scsiprint.cpp (Temperature log page); ACS-3, SCT
Temperature History, "maximum recommended" and "maximum temperature limit": the names of fields from memory.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

_RECOMMENDED = re.compile(r"Min/Max recommended Temperature:\s+\S+/\s*(-?\d{1,4}) Celsius")
_LIMIT = re.compile(r"Min/Max Temperature Limit:\s+\S+/\s*(-?\d{1,4}) Celsius")
_TRIP = re.compile(r"Drive Trip Temperature:\s+(-?\d{1,4}) C\b")
_TABLES = (("temperature",), ("ata_sct_status", "temperature"), ("ata_sct_temperature_history", "temperature"))
_LOWEST_SENSIBLE, _HIGHEST_SENSIBLE = 30, 110  # of a drive's upper limit, in degrees Celsius; our choice


class Limits(NamedTuple):
    """Up to what a drive may be used, and beyond what it is at risk; None where it does not say."""

    recommended_celsius: float | None
    most_celsius: float | None


def parse_temperature_limits(answer: Mapping[str, Any], lines: Iterable[str]) -> Limits:
    """Find a drive's own limits in smartctl's JSON, and in the lines of its plain text.

    Returns:
        The limits.
    """
    recommended = most = None
    for line in lines:
        recommended = recommended or _match(_RECOMMENDED, line)
        most = most or _match(_LIMIT, line) or _match(_TRIP, line)
    return Limits(
        recommended_celsius=recommended or _look_up(answer, "op_limit_max"),
        most_celsius=most or _look_up(answer, "limit_max") or _look_up(answer, "drive_trip"),
    )


def _match(pattern: re.Pattern[str], line: str) -> float | None:
    match = pattern.search(line)
    return _sensible(int(match[1])) if match else None


def _look_up(answer: Mapping[str, Any], key: str) -> float | None:
    for keys in _TABLES:
        found: Any = answer
        for step in keys:
            found = found.get(step) if isinstance(found, Mapping) else None
        if isinstance(found, Mapping) and (limit := _sensible(found.get(key))) is not None:
            return limit
    return None


def _sensible(value: object) -> float | None:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    return float(value) if _LOWEST_SENSIBLE <= value <= _HIGHEST_SENSIBLE else None
