"""What a link shows: its errors, its training, and what a lower rate changed."""

from laneproof.diagnosis.case import DAY, Case
from laneproof.diagnosis.three_valued import Known
from laneproof.evidence.rate_comparison import RatioTest, against_history, against_siblings
from laneproof.past.link_errors import MOST_READINGS, LinkRecord
from laneproof.past.tally import HOUR, total

_ERRORS_SECONDS = 14 * DAY
_FEWEST_ERRORS = 8
_FEWEST_MARKED = 4
_FEWEST_ERROR_DAYS = 4
_ERROR_RATIO = 3.0
_FEWEST_SHARED_HOURS, _SHARED_HOURS = 4, 0.7
_ERROR_P = 1e-3


def aer_above_siblings(case: Case) -> Known:
    """Its link makes more correctable errors than its siblings, or than before."""
    if "signal-errors" in case.reported:
        return True
    mine = [record for record in case.links if record.path == case.path or record.serial == case.serial]
    others = _other_links(case, mine)
    if any(_is_above(record, others, case.now) for record in mine):
        return True
    here = case.ledger.links.at(case.path)
    records = [here] if here is not None else mine
    watched = any(
        record.last_at - record.first_at >= DAY
        and any(end.was_counted and end.hidden_since is None for end in record.ends)
        for record in records
    )
    return False if watched else None


def _other_links(case: Case, mine: list[LinkRecord]) -> list[LinkRecord]:
    return [
        other
        for other in case.ledger.links.records.values()
        if other.watched and all(other is not record for record in mine)
    ]


def errs_with_other_links(case: Case) -> bool:
    """Whether another link made its errors in the same hours: then they may share more than bad luck with cables."""
    here = [record for record in case.links if record.path == case.path]
    mine = {hour for record in here for hour in _hours_with_errors(record)}
    for other in _other_links(case, here):
        hours = _hours_with_errors(other)
        most = max(len(mine), len(hours))
        if most >= _FEWEST_SHARED_HOURS and len(mine & hours) >= _SHARED_HOURS * most:
            return True
    return False


def _hours_with_errors(record: LinkRecord) -> set[int]:
    """Give the hours of the last days; older ones are kept as days, which any two bad links have in common."""
    return {int(row.begins // HOUR) for row in record.series.rows if row.errors and row.span <= HOUR}


def errors_between_drops(case: Case) -> Known:
    """Its link makes errors between episodes too: those of an episode itself are not in the series."""
    above = aer_above_siblings(case)
    if not above:
        return above
    return _made_errors_for_days(case, case.now - 2 * _ERRORS_SECONDS, case.now) or None


def errors_before(case: Case, when: float) -> bool:
    """Whether a link that goes on making errors made them for days before a moment."""
    return bool(errors_between_drops(case)) and _made_errors_for_days(case, when - _ERRORS_SECONDS, when)


def _made_errors_for_days(case: Case, begin: float, end: float) -> bool:
    rows = (row for record in case.links for row in record.series.rows if begin <= row.begins <= end and row.errors)
    return len({int(row.begins // DAY) for row in rows}) >= _FEWEST_ERROR_DAYS


def _is_above(record: LinkRecord, others: list[LinkRecord], now: float) -> bool:
    since = max(now - _ERRORS_SECONDS, record.steady_since)
    if len(record.readings) < MOST_READINGS and sum(n for at, n in record.readings if at >= since) < _FEWEST_ERRORS:
        return False  # as for most links
    tally = record.series.since(since)
    if tally.errors < _FEWEST_ERRORS or tally.marked < _FEWEST_MARKED:
        return False
    before = record.series.between(record.steady_since, since)
    siblings = total([other.series.since(since) for other in others], begins=since)
    # by minutes with errors, so that one burst is one event
    tests = (
        against_siblings(tally.marked, tally.units, siblings.marked, siblings.units),
        against_history(tally.marked, tally.units, before.marked, before.units),
    )
    return any(
        isinstance(test, RatioTest) and test.p <= _ERROR_P and (test.ratio or 0.0) >= _ERROR_RATIO for test in tests
    )


def link_below_expected(case: Case) -> Known:
    """Its link trained below what both ends can do; a drive that was not there at all had no link to train."""
    record = case.ledger.training.records.get(case.path)
    fell_short = "link-degraded-on-some-boots" in case.reported
    if "link-retrained-down" in case.reported or (fell_short and (record is None or not record.was_only_missing)):
        return True
    reasons = [reason for rule in ("link-slow", "link-narrow") for reason in case.reported.get(rule, ())]
    if any(reason in ("training", "wiring", "unknown") for reason in reasons):
        return True
    if fell_short or record is None or not record.boots or record.boots[-1].missing:
        return None
    last = record.boots[-1]
    if last.capable_gt_s is None or last.capable_lanes is None:
        return None
    return False if not reasons else None


def only_replays(case: Case) -> Known:
    """Its link repeats packets for want of an answer, and receives none that is damaged."""
    repeats = saw_repeats_alone(case)
    # an end that does not count may have received damaged packets
    counted = all(end.was_counted for record in case.links if record.readings for end in record.ends)
    return repeats if counted or not repeats else None


def saw_repeats_alone(case: Case) -> Known:
    """Whether all errors seen are repeated packets; ends that do not count are left out."""
    whole = total(row for record in case.links for row in record.series.rows)
    if not whole.errors or whole.marked < _FEWEST_MARKED:
        return None
    return whole.is_repeats_alone
