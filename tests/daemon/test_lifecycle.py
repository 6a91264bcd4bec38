"""A finding's life, pass by pass."""

from dataclasses import replace

from laneproof.findings import Change, Finding, Kind, Severity
from laneproof.lifecycle import advance

SLOW = Finding(
    rule="link-slow",
    kind=Kind.DIFFERS,
    severity=Severity.WARNING,
    position="riser-1",
    subject="0000:01:00.0",
    summary="trained at 2.5 GT/s, declared 16 GT/s",
    declared="16 GT/s",
    observed="2.5 GT/s",
)


def test_a_finding_is_raised_once_and_keeps_its_beginning() -> None:
    first = advance({}, [SLOW], now=100.0)
    assert [one.change for one in first.changes] == [Change.RAISED]
    second = advance(first.lives, [replace(SLOW, subject="0000:07:00.0", evidence={"count": 3})], now=200.0)
    assert second.changes == ()
    assert second.raised[0].since == 100.0
    assert second.raised[0].subject == "0000:07:00.0"


def test_only_its_substance_changes_a_finding() -> None:
    first = advance({}, [SLOW], now=100.0)
    second = advance(first.lives, [replace(SLOW, observed="5 GT/s")], now=200.0)
    assert [(one.change, one.finding.observed, one.finding.since) for one in second.changes] == [
        (Change.CHANGED, "5 GT/s", 100.0)
    ]


def test_a_finding_not_seen_again_is_cleared() -> None:
    first = advance({}, [SLOW], now=100.0)
    second = advance(first.lives, [], now=200.0)
    assert [(one.change, one.at) for one in second.changes] == [(Change.CLEARED, 200.0)]
    assert second.raised == ()


def test_three_readings_in_a_row_confirm_and_one_gap_forgets() -> None:
    needed = {"link-slow": 3}
    step = advance({}, [SLOW], now=1.0, confirmations=needed)
    assert (step.changes, step.waiting, step.raised) == ((), True, ())
    step = advance(step.lives, [SLOW], now=2.0, confirmations=needed)
    assert step.changes == ()
    confirmed = advance(step.lives, [SLOW], now=3.0, confirmations=needed)
    assert [(one.change, one.finding.since) for one in confirmed.changes] == [(Change.RAISED, 1.0)]
    gap = advance(step.lives, [], now=3.0, confirmations=needed)
    assert (gap.lives, gap.changes) == ({}, ())


def test_what_could_not_be_read_is_a_change_and_not_a_clearing() -> None:
    first = advance({}, [SLOW], now=1.0)
    second = advance(first.lives, [replace(SLOW, kind=Kind.UNVERIFIED, observed=None)], now=2.0)
    assert [one.change for one in second.changes] == [Change.CHANGED]


def test_one_reading_judged_twice_confirms_nothing() -> None:
    needed = {"link-slow": 2}
    step = advance({}, [SLOW], now=1.0, confirmations=needed)
    again = advance(step.lives, [SLOW], now=1.0, confirmations=needed, is_new_reading=False)
    assert (again.changes, again.waiting) == ((), True)
    assert len(advance(again.lives, [SLOW], now=2.0, confirmations=needed).changes) == 1
