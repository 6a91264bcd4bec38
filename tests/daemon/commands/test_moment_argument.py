"""Moments after an @, as people write them; days and times without a zone are UTC."""

import os

import pytest

from laneproof.commands.errors import CommandError
from laneproof.commands.moment_argument import is_relative, parse_moment

NOW = 1_790_000_000.0
DAY = 86400.0


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("now", NOW),
        ("90s", NOW - 90),
        ("45m", NOW - 2700),
        ("12h", NOW - DAY / 2),
        ("30d", NOW - 30 * DAY),
        ("2w", NOW - 14 * DAY),
        ("1.5d", NOW - 1.5 * DAY),
        ("1970-01-02", DAY),
        ("1970-01-02T06:00:00", 1.25 * DAY),
        ("1970-01-02T06:00:00Z", 1.25 * DAY),
        ("1970-01-02T06:00:00+06:00", DAY),
        ("1790000000", NOW),
        ("1790000000.25", NOW + 0.25),
    ],
)
def test_moment_is_understood(text: str, seconds: float) -> None:
    assert parse_moment(text, now=NOW) == seconds


@pytest.mark.parametrize(
    "text",
    [
        "",
        "30",
        "d",
        "yesterday",
        "2026-13-01",
        "30 d",
        "-3d",
        "1e9",
        "\u0661\u0662d",
        "2026-11-20T",
        "9999w",
        "0001-01-01",
    ],
)
def test_no_moment_is_wrong_usage_and_says_what_is_one(text: str) -> None:
    with pytest.raises(CommandError, match="write 2026-11-20") as caught:
        parse_moment(text, now=NOW)
    assert caught.value.status == os.EX_USAGE


def test_what_is_counted_back_is_counted_from_what_stands_fixed() -> None:
    assert [is_relative(text) for text in ("now", "30d", "2026-11-20", "1790000000")] == [True, True, False, False]
