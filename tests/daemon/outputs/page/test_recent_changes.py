"""The recent changes: the newest first, each with its time, what became of it, and its words."""

from dataclasses import replace

from boxes.troubled_box import SIGN
from laneproof.findings import Change, FindingChange
from laneproof.outputs.page.recent_changes import SHOWN, write_recent
from support.html_tree import read_html


def change(t: float, what: Change = Change.RAISED) -> FindingChange:
    return FindingChange(at=t, change=what, finding=SIGN)


def test_each_change_is_a_row_with_time_and_words() -> None:
    written = write_recent((change(1_790_000_000.0, Change.CLEARED), change(1_789_999_000.0)))
    first, second = read_html(str(written)).all("li")
    assert first.text == f"2026-09-21 14:13 UTC cleared riser-2 signal-errors {SIGN.summary}"
    assert second.one(class_="change").text == "raised"


def test_what_cleared_has_the_mark_of_what_holds() -> None:
    cleared, changed = read_html(str(write_recent((change(2.0, Change.CLEARED), change(1.0, Change.CHANGED))))).all(
        "li"
    )
    assert cleared.all("svg", "holds")
    assert changed.all("svg", "differs")


def test_no_more_than_a_dozen_are_shown_and_none_is_no_section() -> None:
    many = tuple(replace(change(float(t)), finding=replace(SIGN, position=f"riser-{t}")) for t in range(40, 0, -1))
    assert len(read_html(str(write_recent(many))).all("li")) == SHOWN
    assert write_recent(()) is None


def test_a_finding_that_comes_and_goes_is_one_row() -> None:
    turns = [change(float(t), Change.CLEARED if t % 2 else Change.RAISED) for t in range(54, 0, -1)]
    other = replace(change(0.5), finding=replace(SIGN, position="deck-1"))
    rows = read_html(str(write_recent((*turns, other)))).all("li")
    assert [row.one(class_="change").text for row in rows] == ["raised (54 changes)", "raised"]
