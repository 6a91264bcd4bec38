"""An hour in which nobody watched is told apart from one in which nothing happened."""

import pytest

from laneproof.history.series import Watch
from laneproof.outputs.watch_gaps import Gap, find_unwatched, gaps_as_json, say_watched

T = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC, by date(1)
HOUR = 3600.0


def watches(*hours: tuple[float, float]) -> list[Watch]:
    return [
        Watch(boot=1, first_pass=1, last_pass=1, began_at=T + begins * HOUR, ended_at=T + ends * HOUR)
        for begins, ends in hours
    ]


@pytest.mark.parametrize(
    ("watched", "gaps"),
    [
        ([(-5, 24)], []),
        ([(-5, 23.8)], []),  # its end is noted now and then
        ([(-5, 10), (10.1, 24)], []),  # a restart
        ([(-5, 10), (15, 24)], [(10, 15)]),
        ([(2, 24)], [(0, 2)]),
        ([(-5, 20)], [(20, 24)]),
        ([(-9, -5), (30, 40)], [(0, 24)]),
        ([], [(0, 24)]),
        ([(12, 20), (-1, 10)], [(10, 12), (20, 24)]),
    ],
)
def test_gaps(watched: list[tuple[float, float]], gaps: list[tuple[float, float]]) -> None:
    found = find_unwatched(watches(*watched), T, T + 24 * HOUR)
    assert [((gap.begins - T) / HOUR, (gap.ends - T) / HOUR) for gap in found] == gaps
    assert [gap["since"][-1] for gap in gaps_as_json(found)] == ["Z"] * len(gaps)


@pytest.mark.parametrize(
    ("watched", "says"),
    [
        ([(-5, 24)], "Watched all the time."),
        ([], "Nobody watched in that time: what happened then is not known."),
        ([(-5, 10), (15, 24)], "Not watched for 5 hours of that time (2026-09-22 00:13 to 2026-09-22 05:13 UTC): the"),
        ([(-5, 20)], "Not watched for 4 hours of that time (since 2026-09-22 10:13 UTC): the machine was off, or"),
    ],
)
def test_sentence(watched: list[tuple[float, float]], says: str) -> None:
    assert say_watched(find_unwatched(watches(*watched), T, T + 24 * HOUR), T, T + 24 * HOUR).startswith(says)


def test_of_many_gaps_the_longest_are_said() -> None:
    gaps = [Gap(T + hour * HOUR, T + hour * HOUR + 1000.0 + hour) for hour in range(6)]
    says = say_watched(gaps, T, T + 24 * HOUR)
    assert says.count(" to ") == 3
    assert "the longest of 6 times" in says
