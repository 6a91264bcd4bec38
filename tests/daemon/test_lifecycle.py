"""A finding's life, pass by pass."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from laneproof.findings import Cause, Change, Finding, Kind, Severity
from laneproof.lifecycle import Identity, Life, advance
from support.reported_findings import NARROW

FOUND = replace(NARROW, position="riser-1", causes=(), since=None)


def test_a_finding_is_raised_once_and_keeps_its_beginning() -> None:
    first = advance({}, [FOUND], now=100.0)
    assert [change.change for change in first.changes] == [Change.RAISED]
    second = advance(first.lives, [replace(FOUND, subject="0000:07:00.0", evidence={"count": 3})], now=200.0)
    assert second.changes == ()
    assert second.raised[0].since == 100.0
    assert second.raised[0].subject == "0000:07:00.0"


def test_only_its_substance_changes_a_finding() -> None:
    first = advance({}, [FOUND], now=100.0)
    second = advance(first.lives, [replace(FOUND, observed="5 GT/s")], now=200.0)
    assert [(change.change, change.finding.observed, change.finding.since) for change in second.changes] == [
        (Change.CHANGED, "5 GT/s", 100.0)
    ]


def test_a_finding_not_seen_again_is_cleared() -> None:
    first = advance({}, [FOUND], now=100.0)
    second = advance(first.lives, [], now=200.0)
    assert [(change.change, change.at) for change in second.changes] == [(Change.CLEARED, 200.0)]
    assert second.raised == ()


def test_three_readings_in_a_row_confirm_and_one_gap_forgets() -> None:
    needed = {"link-narrow": 3}
    step = advance({}, [FOUND], now=1.0, confirmations=needed)
    assert (step.changes, step.waiting, step.raised) == ((), True, ())
    step = advance(step.lives, [FOUND], now=2.0, confirmations=needed)
    assert step.changes == ()
    confirmed = advance(step.lives, [FOUND], now=3.0, confirmations=needed)
    assert [(change.change, change.finding.since) for change in confirmed.changes] == [(Change.RAISED, 1.0)]
    gap = advance(step.lives, [], now=3.0, confirmations=needed)
    assert (gap.lives, gap.changes) == ({}, ())


def test_what_could_not_be_read_is_a_change_and_not_a_clearing() -> None:
    first = advance({}, [FOUND], now=1.0)
    second = advance(first.lives, [replace(FOUND, kind=Kind.UNVERIFIED, observed=None)], now=2.0)
    assert [change.change for change in second.changes] == [Change.CHANGED]


def test_one_reading_judged_twice_confirms_nothing() -> None:
    needed = {"link-narrow": 2}
    step = advance({}, [FOUND], now=1.0, confirmations=needed)
    again = advance(step.lives, [FOUND], now=1.0, confirmations=needed, is_read_again=False)
    assert (again.changes, again.waiting) == ((), True)
    assert len(advance(again.lives, [FOUND], now=2.0, confirmations=needed).changes) == 1


def because(cause: str, finding: Finding = FOUND) -> Finding:
    return replace(finding, causes=(Cause(cause=cause, probability=0.8),))


OTHER = replace(FOUND, position="riser-2")


def run(*passes: tuple[float, Sequence[Finding]]) -> list[tuple[float, str, str | None, str]]:
    """Give what was reported: when, what became of which position's finding, and its first cause."""
    reported: list[tuple[float, str, str | None, str]] = []
    lives: Mapping[Identity, Life] = {}
    for now, findings in passes:
        step = advance(lives, findings, now=now)
        lives = step.lives
        reported += [
            (now, str(change.change), change.finding.position, change.finding.causes[0].cause)
            for change in step.changes
        ]
    return reported


def test_a_cause_that_moves_alone_is_reported_at_once_where_nothing_else_happens() -> None:
    reported = run((0.0, [because("undetermined")]), (600.0, [because("signal-path")]))
    assert reported[1:] == [(600.0, "changed", "riser-1", "signal-path")]


def test_a_cause_that_moves_while_others_are_raised_is_reported_once_it_has_settled() -> None:
    both = [because("shared-supply"), because("shared-supply", OTHER)]
    reported = run((0.0, [because("undetermined")]), (2.0, both), (30.0, both), (62.0, both), (70.0, both))
    assert reported == [
        (0.0, "raised", "riser-1", "undetermined"),
        (2.0, "raised", "riser-2", "shared-supply"),
        (62.0, "changed", "riser-1", "shared-supply"),
    ]


def test_a_cause_that_moves_and_comes_back_within_the_minute_is_not_reported() -> None:
    first, later = because("shared-supply"), because("undetermined")
    other = because("shared-supply", OTHER)
    assert run((0.0, [first]), (600.0, [later, other]), (602.0, [first, other]), (700.0, [first, other])) == [
        (0.0, "raised", "riser-1", "shared-supply"),
        (600.0, "raised", "riser-2", "shared-supply"),
    ]


def test_what_stands_has_the_newest_cause_also_before_it_is_reported() -> None:
    first = advance({}, [because("undetermined")], now=0.0)
    second = advance(first.lives, [because("shared-supply")], now=2.0)
    assert second.changes == ()
    assert [finding.causes[0].cause for finding in second.raised] == ["shared-supply"]


def test_more_than_a_cause_is_reported_at_once_with_its_newest_cause() -> None:
    worse = replace(because("shared-supply"), severity=Severity.CRITICAL)
    reported = run((0.0, [because("undetermined")]), (2.0, [worse]), (100.0, [worse]))
    assert reported[1:] == [(2.0, "changed", "riser-1", "shared-supply")]


def test_a_cause_waits_for_no_more_than_a_minute_however_much_happens() -> None:
    def restless(now: float) -> Finding:
        return replace(because("undetermined", OTHER), observed=f"{now} GT/s")

    passes = [(now, [because("signal-path" if now else "undetermined"), restless(now)]) for now in range(0, 120, 10)]
    assert [at for at, _, position, _ in run(*passes) if position == "riser-1"] == [0.0, 70.0]


def test_a_finding_from_before_a_restart_changes_by_what_is_kept_of_it() -> None:
    kept = Life(finding=replace(because("undetermined"), since=1.0), passes=1, raised=True)
    lives = {FOUND.identity: kept}
    assert advance(lives, [because("undetermined")], now=600.0).changes == ()
    assert [change.change for change in advance(lives, [because("signal-path")], now=600.0).changes] == [Change.CHANGED]
