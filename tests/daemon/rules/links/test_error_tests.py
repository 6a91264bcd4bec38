"""The tests of one link's errors: what is said of which counts, and what stays unsaid."""

import pytest
from scipy import stats

from boxes.simulated_past import DAY, HOUR
from laneproof.past.error_reporting import Reporting
from laneproof.past.link_errors import EndState, LinkRecord
from laneproof.past.tally import TallySeries
from laneproof.rules.links.error_tests import ErrorVerdict, judge_link, recent

NOW = 1_790_000_000.0 - 1_790_000_000.0 % HOUR + HOUR


def link(counts: list[int], *, marked: int = 1, gt_s: float = 16.0, lanes: int = 4, steady: float = 0.0) -> LinkRecord:
    """A link with so many errors in each hour up to now, oldest first."""
    series = TallySeries()
    begin = NOW - len(counts) * HOUR
    record = LinkRecord(
        path="p", serial="s", gt_s=gt_s, lanes=lanes, steady_since=steady,
        device_end=EndState(present=True, reporting=Reporting.COUNTED), series=series,
    )  # fmt: skip
    for hour, number in enumerate(counts):
        row = series.open_row(begin + hour * HOUR + 1.0)
        row.seconds, row.units, row.bits = HOUR, 60.0, gt_s * 1e9 * lanes * HOUR
        row.device_errors = row.most = number
        row.marked = min(number, marked)
        if number:
            record.readings.append((begin + hour * HOUR + 1.0, number))
    del record.readings[:-60]
    return record


def judge(record: LinkRecord, *siblings: LinkRecord) -> ErrorVerdict:
    return judge_link(record, siblings, now=NOW, links=1 + len(siblings))


def level(record: LinkRecord, *siblings: LinkRecord) -> str | None:
    return judge(record, *siblings).level


@pytest.mark.parametrize(
    "counts",
    [*([0] * 395 + [size] + [0] * 4 for size in (5, 40, 200)), [1 if hour % 40 == 0 else 0 for hour in range(400)]],
)
def test_one_burst_however_large_or_a_few_a_week_say_nothing(counts: list[int]) -> None:
    assert level(link(counts), link([0] * 400), link([0] * 400)) is None


# after three days the hours of a day are one row
@pytest.mark.parametrize("hours_ago", [2, 60, 100, 140])
@pytest.mark.parametrize(("day", "marked", "expected"), [([60], 6, None), ([0, 3] * 12, 1, "alarm")])
def test_minutes_of_one_hour_are_one_event_and_hours_of_one_day_are_many_however_long_ago(
    day: list[int], marked: int, expected: str | None, hours_ago: int
) -> None:
    counts = [0] * 24 * 60 + day + [0] * hours_ago
    assert level(link(counts, marked=marked), link([0] * len(counts))) == expected


def test_errors_that_begin_after_quiet_weeks_are_paged_within_a_day() -> None:
    # T5 after 720 quiet hours: four errors in a day have p = 3.0e-7 (worked example)
    counts = [0] * 720 + [1, 0] * 12
    verdict = judge(link(counts), *[link([0] * 744)] * 3)
    assert verdict.level == "alarm"
    assert verdict.evidence["p"] < 1e-5
    assert verdict.evidence["ratio_bounds"][0] >= 3
    assert "in the last day" in verdict.because


@pytest.mark.parametrize(
    ("hours", "each", "apart", "expected"),
    [
        (2, 6, 1, None), (3, 2, 1, "notice"),  # a notice by day: 6 errors in 3 hours
        (3, 6, 1, "notice"), (4, 2, 1, "notice"), (4, 3, 1, "alarm"),  # an alarm: 12 in 4
        (5, 4, 20, None), (6, 2, 20, None), (6, 3, 20, "notice"), (7, 2, 20, "notice"),  # by week: 14 in 6
    ],
)  # fmt: skip
def test_so_many_errors_in_so_many_hours_are_the_fewest(
    hours: int, each: int, apart: int, expected: str | None
) -> None:
    counts = [0] * 720 + [each, *[0] * (apart - 1)] * hours
    assert level(link(counts, marked=60), *[link([0] * len(counts))] * 3) == expected


def test_thirty_seven_against_four_is_an_alarm() -> None:
    # the published case: 37 errors in 24 hours against 4 at three siblings in 72: ratio 27.75 (9.97 to 107.2)
    own = [2] * 13 + [1] * 11
    siblings = [link([1, 1, *[0] * 22]), link([1, *[0] * 23]), link([1, *[0] * 23])]
    verdict = judge(link(own), *siblings)
    assert verdict.level == "alarm"
    assert verdict.evidence["against"] == "siblings"
    assert verdict.evidence["ratio"] == pytest.approx(27.75, abs=0.01)
    assert verdict.evidence["ratio_bounds"] == pytest.approx([9.97, 107.2], rel=2e-3)


def test_what_a_sibling_erred_before_the_time_that_is_compared_is_no_excuse() -> None:
    own = link([1, 0] * 12)
    once_bad = [link([60] * 6 + [0] * 400) for _ in range(3)]
    assert judge(own, *once_bad).evidence == judge(own, *[link([0] * 406)] * 3).evidence


def test_of_several_links_the_second_worst_is_corrected_for_one_test_less() -> None:
    # S. Holm 1979: of m tests the smallest p counts m times, the next one m - 1 times; scipy as the witness
    quiet = [link([0] * 24) for _ in range(4)]
    steady = judge(link([0, 2] * 12), link([0, 3] * 12), *quiet)
    assert (steady.evidence["unit"], steady.evidence["against"]) == ("errors", "siblings")
    assert steady.evidence["p"] == pytest.approx(5 * stats.binom.sf(23, 24 + 36, 1 / 6))
    bursts = judge(link([0, 30] * 12, marked=2), link([0, 40] * 12, marked=3), *quiet)
    assert (bursts.evidence["unit"], bursts.evidence["against"]) == ("error minutes", "siblings")
    table = [[24, 1440 - 24], [36, 5 * 1440 - 36]]
    assert bursts.evidence["p"] == pytest.approx(5 * stats.fisher_exact(table, alternative="greater").pvalue)


def test_a_link_beyond_the_specification_is_a_notice_at_once_and_an_alarm_when_it_lasts() -> None:
    # 8 GT/s x1 allows 28.8 errors an hour in each direction (1e-12 per bit)
    first = judge(link([0, 0, 300], gt_s=8.0, lanes=1))
    assert first.level == "notice"
    assert first.beyond_specification
    lasting = judge(link([300] * 6, marked=30, gt_s=8.0, lanes=1))
    assert lasting.level == "alarm"
    assert lasting.evidence["allowed_errors"] == pytest.approx(57.6)


def test_what_had_been_counted_before_the_first_pass_is_reported_only_far_beyond_a_burst() -> None:
    # an unshielded ribbon: 225 errors a second at 8 GT/s x1
    ribbon = link([0], gt_s=8.0, lanes=1)
    ribbon.device_end.found, ribbon.device_end.found_seconds = 225 * 3600, 3600.0
    assert level(ribbon) == "notice"
    burst = link([0], gt_s=8.0, lanes=1)
    burst.device_end.found, burst.device_end.found_seconds = 400, 120.0
    assert level(burst) is None


@pytest.mark.parametrize(("counts", "fatal"), [([0] * 100, (-5, -2)), ([0] * 720 + [1, 0] * 12, ())])
def test_an_alarm_counts_before_a_notice_of_what_had_been_counted_before_the_first_pass(
    counts: list[int], fatal: tuple[int, ...]
) -> None:
    ribbon = link(counts, gt_s=8.0, lanes=1)
    ribbon.device_end.found, ribbon.device_end.found_seconds = 225 * 3600, 3600.0
    assert level(ribbon) == ("alarm" if counts[-2] else "notice")
    for hour in fatal:
        ribbon.series.rows[hour].fatal = 1
    verdict = judge(ribbon)
    assert (verdict.level, verdict.beyond_specification) == ("alarm", False)


def test_after_another_cable_only_what_came_since_counts() -> None:
    counts = [2] * 300 + [0] * 20
    assert level(link(counts), link([0] * 320)) == "alarm"
    changed = link(counts, steady=NOW - 20 * HOUR)
    assert level(changed, link([0] * 320)) is None
    assert recent(changed, 7 * DAY, NOW).errors == 0


def test_bursts_are_compared_by_their_minutes() -> None:
    # every hour of a day one minute of thirty errors: many minutes, each counted once
    counts = [0] * 400 + [0, 30] * 12
    verdict = judge(link(counts), *[link([0] * 424)] * 2)
    assert verdict.level == "alarm"
    assert verdict.evidence["unit"] == "error minutes"


def test_widths_and_rates_may_differ_since_bits_are_compared() -> None:
    slow = link([0] * 700 + [1] * 24, gt_s=8.0, lanes=1)
    fast = link([0] * 700 + [8] * 24)  # eight times the bits, eight times the errors
    verdict = judge(slow, fast)
    assert verdict.evidence.get("against") != "siblings"


def test_uncorrectable_errors_of_a_link_are_reported_each() -> None:
    record = link([0] * 100)
    record.series.rows[-5].fatal = 1
    assert level(record) == "notice"
    record.series.rows[-2].fatal = 2
    verdict = judge(record)
    assert verdict.level == "alarm"
    assert "3 uncorrectable errors of the link" in verdict.because


def test_a_link_that_always_was_a_little_poorer_is_at_most_a_notice() -> None:
    counts = [1 if hour % 4 == 0 else 0 for hour in range(24 * 30)]  # six a day since the first day, siblings none
    siblings = [link([0] * 720)] * 5
    for day in range(2, 31):
        record = link(counts[: day * 24])
        assert level(record, *siblings) in (None, "notice"), day


def test_errors_that_come_more_often_by_a_few_a_week_are_a_notice_of_their_own() -> None:
    record = link([0] * 400)
    for hour in range(24 * 20):
        record.watch.add(NOW - (24 * 30 - hour) * HOUR, HOUR, marked=False)
    for hour in range(24 * 10 + 1):
        record.watch.add(NOW - (24 * 10 - hour) * HOUR, HOUR, marked=hour % 20 == 0)
    verdict = judge(record, link([0] * 400))
    assert verdict.level == "notice"
    assert "different hours of the last" in verdict.because
    assert "one in 10 days is usual for it" in verdict.because
    assert verdict.evidence["hours_with_errors"] >= 9
    assert verdict.evidence["score"] >= verdict.evidence["score_threshold"] == pytest.approx(11.38, abs=0.005)


# 8 GT/s x4 allows 1.92 errors a minute, thirty times as many are 864 in the quarter of an hour
@pytest.mark.parametrize(
    ("minutes_ago", "each", "expected"),
    [
        (range(12, 0, -1), 90, "alarm"),
        (range(12, 0, -1), 60, "notice"),  # beyond, and no hurry
        (range(10, 0, -2), 400, "alarm"),  # five minutes, eight minutes apart
        (range(10, 0, -3), 400, "notice"),  # four minutes
        (range(8, 0, -1), 4000, "notice"),  # over in seven minutes: a burst
        (range(20, 9, -1), 150, "notice"),  # the half of it was before the quarter of an hour
    ],
)
def test_what_is_far_beyond_the_specification_is_an_alarm_within_minutes(
    minutes_ago: range, each: int, expected: str
) -> None:
    record = link([0] * 400, gt_s=8.0, lanes=4)
    row = record.series.rows[-1]
    row.device_errors = row.most = len(minutes_ago) * each
    row.marked = len(minutes_ago)
    record.readings += [(NOW - minutes * 60.0, each) for minutes in minutes_ago]
    assert judge(record, *[link([0] * 400)] * 3).level == expected
