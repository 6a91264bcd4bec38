"""Findings from beginning to end, over restarts."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.passes import Passes, change_of, make_finding
from laneproof.findings import Cause, Change, Finding, Kind, Severity
from laneproof.history.finding_lives import dump_finding, parse_finding
from laneproof.history.history import History
from laneproof.history.store import Store

TEXT = st.text(max_size=20)
CAUSES = st.builds(Cause, cause=TEXT, probability=st.floats(0, 1), because=st.lists(TEXT, max_size=2).map(tuple))
FINDINGS = st.builds(
    Finding,
    rule=TEXT, kind=st.sampled_from(Kind), severity=st.sampled_from(Severity), position=st.none() | TEXT, subject=TEXT,
    summary=TEXT, declared=st.none() | TEXT, observed=st.none() | TEXT, key=TEXT,
    evidence=st.dictionaries(TEXT, st.integers() | st.none() | TEXT, max_size=3),
    causes=st.lists(CAUSES, max_size=2).map(tuple),
    next_steps=st.lists(TEXT, max_size=2).map(tuple), since=st.none() | st.floats(0, 2e9),
    accepted=st.none() | TEXT,
)  # fmt: skip


@given(FINDINGS)
def test_a_finding_comes_back_whole(finding: Finding) -> None:
    assert parse_finding(dump_finding(finding)) == finding


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", '{"causes": []}', '{"causes": 3}'])
def test_what_is_no_finding_says_so(text: str) -> None:
    with pytest.raises(ValueError, match="not a finding"):
        parse_finding(text)


def _life(store: Store, passes: Passes, finding: Finding, what: Change) -> None:
    standing = [other for other in passes.standing if other.identity != finding.identity]
    passes.standing = tuple(standing) if what is Change.CLEARED else (*standing, finding)
    store.add_pass(passes.take(change_of(what, finding, passes.t)))


def test_the_whole_life_is_kept(store: Store, passes: Passes) -> None:
    first = make_finding(since=passes.t)
    _life(store, passes, first, Change.RAISED)
    begun = passes.t
    passes.wait(600)
    worse = replace(first, observed="gen 1 x4")
    _life(store, passes, worse, Change.CHANGED)
    assert store.load_standing() == (worse,)
    passes.wait(600)
    _life(store, passes, worse, Change.CLEARED)
    assert store.load_standing() == ()
    (life,) = store.read_findings()
    assert (life.finding, life.raised_at, life.cleared_at) == (worse, begun, begun + 1200)
    changes = store.read_finding_changes()
    assert [(change.change, change.at - begun) for change in changes] == [
        (Change.RAISED, 0), (Change.CHANGED, 600), (Change.CLEARED, 1200),
    ]  # fmt: skip
    assert [change.finding.observed for change in changes] == ["gen 3 x4", "gen 1 x4", "gen 1 x4"]


def test_one_that_comes_again_has_a_life_of_its_own(store: Store, passes: Passes) -> None:
    for _ in range(2):
        finding = make_finding(since=passes.wait(60).t)
        _life(store, passes, finding, Change.RAISED)
        _life(store, passes.wait(60), finding, Change.CLEARED)
    assert len(store.read_findings()) == 2
    assert [change.change for change in store.read_finding_changes(since=passes.t)] == [Change.CLEARED]


def test_a_change_is_written_at_once(store: Store, passes: Passes, path: str) -> None:
    store.add_pass(passes.take())
    finding = make_finding(since=passes.wait(1).t)
    _life(store, passes, finding, Change.RAISED)
    history = History.open(path)
    assert history.load_standing() == (finding,)
    history.close()


@pytest.fixture
def restarted(path: str) -> Iterator[tuple[Store, Passes, Finding, Finding]]:
    """A store that was opened again after two findings were raised."""
    store, passes = Store.open(path), Passes()
    stays, goes = make_finding(since=passes.t), make_finding("link-narrow", since=passes.t)
    for finding in (stays, goes):
        _life(store, passes, finding, Change.RAISED)
    store.close()
    store = Store.open(path)
    yield store, passes.wait(60), stays, goes
    store.close()


def test_a_restarted_daemon_goes_on_with_what_stood(restarted: tuple[Store, Passes, Finding, Finding]) -> None:
    store, passes, stays, goes = restarted
    assert store.load_standing() == (stays, goes)
    _life(store, passes, goes, Change.CLEARED)  # an engine that was given both, and sees one of them clear
    assert store.load_standing() == (stays,)


def test_an_engine_that_was_given_nothing_is_still_right(restarted: tuple[Store, Passes, Finding, Finding]) -> None:
    store, passes, stays, _ = restarted
    passes.standing = ()
    _life(store, passes, replace(stays, since=passes.t), Change.RAISED)
    assert [finding.rule for finding in store.load_standing()] == ["link-slow"]
    lives = {life.finding.rule: life for life in store.read_findings()}
    assert lives["link-slow"].raised_at == passes.t - 60  # raised once, though reported twice
    assert lives["link-narrow"].cleared_at == passes.t
    assert [change.change for change in store.read_finding_changes()] == [*[Change.RAISED] * 3, Change.CLEARED]


def test_one_that_stands_and_was_never_raised_is_kept_from_the_first_pass_on(store: Store, passes: Passes) -> None:
    passes.standing = (make_finding(since=5.0),)
    store.add_pass(passes.take())
    (life,) = store.read_findings()
    assert life.raised_at == 5.0


def test_one_that_was_never_raised_here_cannot_clear(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take(change_of(Change.CLEARED, make_finding(), passes.t)))
    assert store.read_findings() == ()


def test_after_passes_were_left_out_the_next_one_says_what_stands(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    passes.standing = (make_finding(since=passes.t),)
    store.add_pass(passes.after(60))  # the pass that raised it was left out
    assert store.load_standing() == ()
    store.reconcile()
    store.add_pass(passes.after(60))
    assert store.load_standing() == passes.standing
    passes.standing = ()
    store.reconcile()
    store.add_pass(passes.after(60))
    assert store.load_standing() == ()
