"""What a link's errors go along with, and how long other parts must run clean."""

import pytest

from boxes.simulated_past import HOUR
from laneproof.past.drives import HourHeat
from laneproof.past.link_errors import LinkRecord
from laneproof.rules.links.error_hints import describe_heat, say_acceptance

BEGIN = 1_790_000_000.0 - 1_790_000_000.0 % HOUR


def link(counts: list[int], *, steady: float = 0.0) -> LinkRecord:
    """A link with so many errors in each hour, all in as many minutes."""
    record = LinkRecord(path="p", serial="s", gt_s=16.0, lanes=4, steady_since=steady)
    for number, errors in enumerate(counts):
        row = record.series.open_row(BEGIN + number * HOUR)
        row.seconds, row.units, row.bits = HOUR, 60.0, 64e9 * HOUR
        row.device_errors = row.most = row.marked = errors
    return record


def heat(celsius: list[float]) -> list[HourHeat]:
    first = int(BEGIN // HOUR)
    return [HourHeat(hour=first + number, readings=4, mean_celsius=degrees) for number, degrees in enumerate(celsius)]


WARMING = [30.0 + (number % 24) for number in range(48)]  # two days, each from 30 to 53 °C


WITH_WARMTH = [number % 24 // 6 for number in range(48)]


def test_errors_that_come_with_warmth_are_reported_by_quarters_of_its_hours() -> None:
    known = describe_heat(link(WITH_WARMTH), heat(WARMING))["rises_with_heat"]
    assert known["celsius"] == [32.5, 38.5, 44.5, 50.5]
    assert known["errors"] == [0, 12, 24, 36]
    # Armitage's trend for Poisson counts with equal exposures: z = (sum score x count - 1.5 K) / sqrt(1.25 K)
    # = (12 + 48 + 108 - 108) / sqrt(90) = 6.325, whose upper tail is 1.3e-10
    assert known["p"] == pytest.approx(1.27e-10, rel=0.01)


@pytest.mark.parametrize(
    ("counts", "celsius", "steady"),
    [
        pytest.param([1, 0] * 24, WARMING, 0.0, id="at all temperatures"),
        pytest.param([3 - count for count in WITH_WARMTH], WARMING, 0.0, id="with coolness"),
        pytest.param(WITH_WARMTH, [40.0 + number % 24 / 6 for number in range(48)], 0.0, id="hardly ever warmer"),
        pytest.param(WITH_WARMTH, WARMING, BEGIN + 30 * HOUR, id="before the parts were changed"),
    ],
)
def test_other_errors_say_nothing_of_warmth(counts: list[int], celsius: list[float], steady: float) -> None:
    assert describe_heat(link(counts, steady=steady), heat(celsius)) == {}


def test_one_burst_in_a_warm_hour_says_nothing_of_warmth() -> None:
    record = link([0] * 48)
    row = record.series.rows[47]
    row.device_errors = row.most = 200
    row.marked = 1
    assert describe_heat(record, heat(WARMING)) == {}


@pytest.mark.parametrize(("gt_s", "lanes", "words"), [(16.0, 4, "47 seconds"), (8.0, 1, "6 minutes")])
def test_other_parts_are_accepted_after_three_times_as_many_bits_as_one_error_may_take(
    gt_s: float, lanes: int, words: str
) -> None:
    # 3.0e12 bits: 46.8 s at 16 GT/s x4, 374.5 s at 8 GT/s x1 (1e-12 errors a bit; -ln 0.05 = 2.9957)
    said = say_acceptance(LinkRecord(path="p", serial="s", gt_s=gt_s, lanes=lanes))
    assert said is not None
    assert said.startswith(f"After a change of parts {words} of steady traffic")


def test_of_a_link_of_unknown_rate_no_time_is_said() -> None:
    assert say_acceptance(LinkRecord(path="p", serial="s")) is None
