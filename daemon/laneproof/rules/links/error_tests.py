"""The tests of one link's errors: against the specification, against its siblings, against its own past.

Bursts come first. Where errors come in bursts, or in no more than a few readings, minutes that held an error are
compared instead of errors, so that one burst at a hot plug is one event. A link is never called worse than its siblings
for a handful of errors, however sure the arithmetic is: it takes an effect that matters, spread over hours.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from laneproof.evidence.alarm_budget import ALARM_P, grade
from laneproof.evidence.bit_error_ratio import CeilingTest, against_specification, bits_carried
from laneproof.evidence.bursts import dispersion
from laneproof.evidence.distributions import Bounds
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.rate_comparison import (
    RatioTest,
    against_history,
    against_siblings,
    correct_each,
    each_against_the_others,
)
from laneproof.evidence.two_by_two import fisher
from laneproof.past.link_errors import MOST_READINGS, LinkRecord
from laneproof.past.tally import DAY, HOUR, Tally

_BURST_ALLOWANCE = 500
"""So many errors may have been counted while a link trained, before the first pass. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorWindow:
    """A stretch of time that is tested, and what it takes to report it. Our choice, tuned on simulated boxes.

    Attributes:
        seconds: How far back.
        words: The same in words.
        notice_errors: Fewest errors for a notice.
        notice_hours: In how many different hours (or readings) at least.
        alarm_errors: Fewest errors for an alarm.
        alarm_hours: In how many different hours at least.
    """

    seconds: float
    words: str
    notice_errors: int
    notice_hours: int
    alarm_errors: int
    alarm_hours: int


ERROR_WINDOWS = (
    ErrorWindow(seconds=DAY, words="the last day", notice_errors=6, notice_hours=3, alarm_errors=12, alarm_hours=4),
    ErrorWindow(
        seconds=7 * DAY, words="the last week", notice_errors=14, notice_hours=6, alarm_errors=24, alarm_hours=8
    ),
)
_FEWEST_ERRORS = min(window.notice_errors for window in ERROR_WINDOWS)
_MANY_A_DAY = 24
_SPECIFICATION_SECONDS = 2 * HOUR
_SPECIFICATION_ERRORS = 10
_PERSISTENT_HOURS = 3
_FAR_BEYOND = 30.0
"""How many times the specification's ceiling is far beyond it. Our choice."""
_FAR_SECONDS, _FAR_SPAN_SECONDS, _FAR_MINUTES = 900.0, 480.0, 5
"""Far beyond in the last quarter of an hour is worth an alarm once errors came in so many different minutes that lie so
far apart: a burst at a hot plug is over by then. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorVerdict:
    """What the tests say of one link's errors.

    Attributes:
        level: alarm, notice, or None where nothing is to be said.
        beyond_specification: Whether it makes more errors than a legal link may.
        because: The reason in words, empty where there is none.
        evidence: The figures.
    """

    level: str | None = None
    beyond_specification: bool = False
    because: str = ""
    evidence: dict[str, Any] = field(default_factory=dict)


NOTHING_TO_SAY = ErrorVerdict()


def judge_link(record: LinkRecord, siblings: Sequence[LinkRecord], *, now: float, links: int) -> ErrorVerdict:
    """Judge one link: of what the tests say the alarm counts, then what is beyond the specification, then the first.

    Args:
        record: The link.
        siblings: The other links that count their errors.
        now: Ledger time.
        links: How many links are tested in the same way: p is corrected for that, step by step where they are compared
            with one another (Holm).
    """
    verdicts = [_judge_found_at_first(record), _judge_uncorrectable(record, now)]
    if _has_enough(record, now):
        verdicts.append(_judge_specification(record, now, links))
        verdicts += [_judge_window(record, siblings, window, now=now, links=links) for window in ERROR_WINDOWS]
    verdicts.append(_judge_change(record, now))
    return max(
        (verdict for verdict in verdicts if verdict.level is not None),
        key=lambda verdict: (verdict.level == "alarm", verdict.beyond_specification),
        default=NOTHING_TO_SAY,
    )


def _has_enough(record: LinkRecord, now: float) -> bool:
    """Whether the longest window has errors enough for any test; most links never do."""
    week = now - max(window.seconds for window in ERROR_WINDOWS)
    readings = record.readings
    if len(readings) == MOST_READINGS and readings[0][0] >= week:
        return True
    # the readings' errors add up to at least the fewest of the whole week, whichever direction each was in
    return sum(number for when, number in readings if when >= week) >= _FEWEST_ERRORS


def recent(record: LinkRecord, seconds: float, now: float) -> Tally:
    """Add up what a link did in a stretch of time that ends now, or since the parts between were changed."""
    return record.series.since(max(now - seconds, record.steady_since))


def _hours_with_errors(record: LinkRecord, seconds: float, now: float) -> int:
    since = max(now - seconds, record.steady_since)
    rows = [row for row in record.series.rows if row.begins >= since and row.marked]
    return sum(1 if row.span <= HOUR else _hours_of_day(record, row) for row in rows)


def _hours_of_day(record: LinkRecord, day: Tally) -> int:
    """In how many hours errors were counted of a day that is one row by now: by the readings, as far as they go back.

    A burst of some minutes stays one event, however long ago it was.
    """
    hours = {int(when // HOUR) for when, _ in record.readings if day.begins <= when < day.begins + day.span}
    return max(1, len(hours))


# --- the specification ------------------------------------------------------------------------------------------------


def _judge_found_at_first(record: LinkRecord) -> ErrorVerdict:
    """Judge what was counted between boot and the first pass: only a rate far beyond any burst counts."""
    for name, end in (("port", record.port), ("device", record.device_end)):
        if not end.found_seconds or end.found <= _BURST_ALLOWANCE or not (record.gt_s and record.lanes):
            continue
        bits = record.gt_s * 1e9 * record.lanes * end.found_seconds
        test = against_specification(end.found - _BURST_ALLOWANCE, bits)
        if isinstance(test, CeilingTest) and test.is_out_of_specification:
            because = f"{end.found} errors at the {name}'s end in the {end.found_seconds / HOUR:.1f} hours since boot"
            return ErrorVerdict(
                level="notice", beyond_specification=True, because=because, evidence=_describe_ceiling(test)
            )
    return NOTHING_TO_SAY


def _judge_uncorrectable(record: LinkRecord, now: float) -> ErrorVerdict:
    """Judge errors that could not be corrected, apart from any disconnect: each is one too many."""
    since = max(now - 7 * DAY, record.steady_since)
    counted = {row.begins: row.fatal for row in record.series.rows if row.begins >= since and row.fatal}
    reported = [when for when in record.reported if when >= since]
    if not counted and not reported:
        return NOTHING_TO_SAY
    number = sum(counted.values()) + len(reported)
    hours = {int(when // HOUR) for when in (*counted, *reported)}
    said = f"{number} uncorrectable error{'s' if number > 1 else ''} of the link in the last week"
    if not counted:
        said += ", as the kernel's log shows"
    return ErrorVerdict(
        level="alarm" if len(hours) > 1 else "notice",
        because=said,
        evidence={
            "uncorrectable_errors": number,
            "uncorrectable_from_log": len(reported),
            **_describe(record, recent(record, 7 * DAY, now)),
        },
    )


def _judge_specification(record: LinkRecord, now: float, links: int) -> ErrorVerdict:
    """Judge the last hours and the last day by what the specification allows."""
    for seconds, words in ((_SPECIFICATION_SECONDS, "the last two hours"), (DAY, "the last day")):
        tally = recent(record, seconds, now)
        if tally.errors < _SPECIFICATION_ERRORS:
            continue
        test = against_specification(tally.errors, tally.bits)
        if isinstance(test, NotEnough) or not test.is_out_of_specification:
            continue
        persists = _hours_with_errors(record, DAY, now) >= _PERSISTENT_HOURS or _is_far_beyond(record, now, links)
        return ErrorVerdict(
            level="alarm" if persists else "notice",
            beyond_specification=True,
            because=f"{tally.errors} errors in {words}, where the specification allows {test.allowed:.3g}",
            evidence={**_describe_ceiling(test), **_describe(record, tally)},
        )
    return NOTHING_TO_SAY


def _is_far_beyond(record: LinkRecord, now: float, links: int) -> bool:
    """Whether the link has been so far beyond the specification for minutes that hours need not pass."""
    since = max(now - _FAR_SECONDS, record.steady_since)
    readings = [(when, number) for when, number in record.readings if when >= since]
    minutes = {int(when // 60.0) for when, _ in readings}
    if len(minutes) < _FAR_MINUTES or readings[-1][0] - readings[0][0] < _FAR_SPAN_SECONDS:
        return False
    bits = bits_carried(gt_s=record.gt_s or 0.0, lanes=record.lanes or 0, seconds=_FAR_SECONDS)
    test = against_specification(sum(number for _, number in readings), _FAR_BEYOND * bits)
    return isinstance(test, CeilingTest) and test.log_p + math.log(max(1, links)) <= math.log(ALARM_P)


def _describe_ceiling(test: CeilingTest) -> dict[str, Any]:
    bounds = test.error_ratio_bounds()
    return {
        "error_ratio": test.error_ratio,
        "error_ratio_bounds": [bounds.lower, bounds.upper],
        "allowed_errors": test.allowed,
        "p_specification": test.p,
    }


# --- siblings and its own past ----------------------------------------------------------------------------------------


def _judge_window(
    record: LinkRecord, siblings: Sequence[LinkRecord], window: ErrorWindow, *, now: float, links: int
) -> ErrorVerdict:
    tally = recent(record, window.seconds, now)
    hours = _hours_with_errors(record, window.seconds, now)
    if tally.errors < window.notice_errors or hours < window.notice_hours:
        return NOTHING_TO_SAY
    since = max(now - window.seconds, record.steady_since)
    before = record.series.between(record.steady_since, since)
    others = [recent(sibling, now - since, now) for sibling in siblings]
    bursty = is_bursty(record, since)
    tests = (
        ("before", _compare_with_past(tally, before, links, bursty=bursty)),
        ("siblings", _compare_with_siblings(tally, others, bursty=bursty)),
    )
    enough = tally.errors >= window.alarm_errors and hours >= window.alarm_hours
    # A link that always made a few more than its siblings is a poorer link, which is no event: it is worth an alarm
    # only where it makes many.
    many = tally.errors * DAY >= _MANY_A_DAY * tally.seconds
    found = [
        _judge_comparison(against, test, may_alarm=enough and (against == "before" or many))
        for against, test in tests
        if test is not None
    ]
    raised = [comparison for comparison in found if comparison.level is not None]
    if not raised:
        return NOTHING_TO_SAY
    best = max(raised, key=lambda comparison: (comparison.level == "alarm", -comparison.test.log_p))
    return ErrorVerdict(
        level=best.level,
        because=_say_comparison(tally, window, best, len(siblings), bursty=bursty),
        evidence={
            **_describe(record, tally),
            "against": best.against,
            "unit": "error minutes" if bursty else "errors",
            "other_count": best.test.other_events,
            "ratio": _finite(best.test.ratio),
            "ratio_bounds": None if best.bounds is None else [best.bounds.lower, _finite(best.bounds.upper)],
            "p": best.test.p,
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comparison:
    """One comparison, and how it is graded."""

    against: str
    test: RatioTest
    bounds: Bounds | None
    level: str | None


def _judge_comparison(against: str, test: RatioTest, *, may_alarm: bool) -> _Comparison:
    bounds = test.ratio_bounds() if test.log_p <= math.log(ALARM_P) else None
    level = grade(test, bounds.lower if may_alarm and bounds is not None else None)
    return _Comparison(against=against, test=test, bounds=bounds, level=level)


def is_bursty(record: LinkRecord, since: float) -> bool:
    """Whether a link's errors come in bursts since a moment (T6), so that minutes with errors are to be counted."""
    counts = [row.errors for row in record.series.rows if row.begins >= since and row.seconds > 0]
    test = dispersion(counts)
    return not isinstance(test, NotEnough) and test.bursty


def _compare_with_past(tally: Tally, before: Tally, links: int, *, bursty: bool) -> RatioTest | None:
    """Compare by errors per bit; where they come in bursts, by minutes with errors (T6, then Fisher's table).

    It is corrected for so many links being compared, each with its own past.
    """
    by_minutes = _compare_minutes(_count_minutes(tally), _count_minutes(before)) if bursty else None
    test = by_minutes if bursty else against_history(tally.errors, tally.bits, before.errors, before.bits)
    if test is None or isinstance(test, NotEnough):
        return None
    return replace(test, log_p=min(0.0, test.log_p + math.log(max(1, links))))


def _compare_with_siblings(tally: Tally, others: Sequence[Tally], *, bursty: bool) -> RatioTest | None:
    """Compare a link with all others, corrected for all of them being compared (T4, with Holm)."""
    links = {str(number): link for number, link in enumerate((tally, *others))}
    if not bursty:
        test = each_against_the_others({name: (link.errors, link.bits) for name, link in links.items()})["0"]
        return None if isinstance(test, NotEnough) else test
    minutes = {name: _count_minutes(link) for name, link in links.items()}
    marked, watched = (sum(numbers) for numbers in zip(*minutes.values(), strict=True))
    tests = {name: _compare_minutes(own, (marked - own[0], watched - own[1])) for name, own in minutes.items()}
    return correct_each({name: comparison for name, comparison in tests.items() if comparison is not None}).get("0")


def _count_minutes(tally: Tally) -> tuple[int, int]:
    """Give the minutes that held an error, and all that were watched."""
    return tally.marked, max(round(tally.units), tally.marked)


def _compare_minutes(own: tuple[int, int], other: tuple[int, int]) -> RatioTest | None:
    table = fisher((own[0], own[1] - own[0], other[0], other[1] - other[0]))
    test = against_siblings(own[0], float(own[1]), other[0], float(other[1]))
    if isinstance(table, NotEnough) or isinstance(test, NotEnough):
        return None
    return replace(test, log_p=table.log_p)


def _say_comparison(tally: Tally, window: ErrorWindow, best: _Comparison, siblings: int, *, bursty: bool) -> str:
    unit = "minutes with errors" if bursty else "errors"
    number = tally.marked if bursty else tally.errors
    other = "before that" if best.against == "before" else f"at its {siblings} sibling links"
    times = "none" if best.test.other_events == 0 else f"{best.test.other_events}"
    said = f"{number} {unit} in {window.words}, {times} {other}"
    if best.test.ratio is not None and math.isfinite(best.test.ratio):
        said += f": {_say_ratio(best.test.ratio)} times the rate"
        if best.bounds is not None:
            said += f" ({_say_ratio(best.bounds.lower)} to {_say_ratio(best.bounds.upper)})"
    return said


def _say_ratio(ratio: float) -> str:
    """Write a ratio with as many digits as it is worth: 1.4, 57, 490, 20,000."""
    rounded = float(f"{ratio:.2g}")
    return f"{rounded:,.0f}" if rounded.is_integer() else f"{rounded:g}"


def _judge_change(record: LinkRecord, now: float) -> ErrorVerdict:
    """Judge whether errors have come more often since some time, too seldom for the other tests (T7): a notice at most.

    When the score began to climb is known only afterwards, so no ratio to what was before could bear an alarm.
    """
    cusum = record.watch.cusum
    if cusum is None or not cusum.alarm:
        return NOTHING_TO_SAY
    days, usual = cusum.climbing_exposure * HOUR / DAY, 1 / (cusum.normal_rate * DAY / HOUR)
    return ErrorVerdict(
        level="notice",
        because=(
            f"errors in {cusum.climbing_events} different hours of the last {days:.3g} days, "
            f"where one in {usual:.3g} days is usual for it"
        ),
        evidence={
            "against": "before",
            "unit": "hours with errors",
            "hours_with_errors": cusum.climbing_events,
            "hours_since_change": round(cusum.climbing_exposure, 1),
            "usual_per_day": cusum.normal_rate * DAY / HOUR,
            "score": round(cusum.score, 2),
            "score_threshold": round(cusum.threshold, 2),
            **_describe(record, recent(record, 7 * DAY, now)),
        },
    )


def _describe(record: LinkRecord, tally: Tally) -> dict[str, Any]:
    return {
        "errors": tally.errors,
        "errors_at_most": tally.most,
        "port_errors": tally.port_errors,
        "device_errors": tally.device_errors,
        "port_replays": tally.port_replays,
        "device_replays": tally.device_replays,
        "minutes_with_errors": tally.marked,
        "bits_each_direction": tally.bits,
        "watched_seconds": round(tally.seconds),
        "port_reporting": str(record.port.reporting),
        "device_reporting": str(record.device_end.reporting),
        "from_log": record.from_log,
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
