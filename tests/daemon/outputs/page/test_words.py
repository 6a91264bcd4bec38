"""Marks, times and counts, as all parts of the page write them."""

from dataclasses import replace

import pytest

from boxes.troubled_box import SIGN, troubled
from laneproof.findings import Kind
from laneproof.outputs.page.words import Anchors, count_words, draw_mark, mark_of, show_time
from support.html_tree import read_html


@pytest.mark.parametrize(
    ("verdict", "whole", "cut", "dotted", "knots"),
    [("holds", 3, 0, 0, 1), ("differs", 2, 1, 0, 0), ("unverified", 0, 0, 3, 0)],
)
def test_a_mark_is_known_by_its_strands_and_not_only_by_its_colour(
    verdict: str, whole: int, cut: int, dotted: int, knots: int
) -> None:
    mark = read_html(draw_mark(verdict))
    strands = mark.one("path").attributes
    pieces = str(strands["d"])
    is_dotted = strands.get("stroke-dasharray") is not None
    assert (pieces.count("H18.5") * (not is_dotted), pieces.count("l2.5 3"), pieces.count("H18.5") * is_dotted) == (
        whole,
        cut,
        dotted,
    )
    assert len(mark.all("rect", "knot")) == knots


def test_a_sign_and_a_difference_have_the_cut_strand() -> None:
    assert mark_of(Kind.SIGN) == mark_of(Kind.DIFFERS) == draw_mark("differs")
    assert mark_of(Kind.UNVERIFIED) == draw_mark("unverified")


def test_a_time_is_for_people_and_for_programs() -> None:
    time = read_html(show_time(1_790_000_000.0)).one("time")
    assert (time.text, time.attributes["datetime"]) == ("2026-09-21 14:13 UTC", "2026-09-21T14:13:20Z")


def test_each_finding_has_a_name_of_its_own_that_stays() -> None:
    findings = troubled().findings
    anchors = Anchors(findings)
    names = [anchors[finding] for finding in findings]
    assert len(set(names)) == len(names)
    alone = Anchors(findings[-1:])
    assert alone[findings[-1]] == names[-1]


def test_findings_of_one_identity_are_told_apart() -> None:
    first, second = SIGN, replace(SIGN, summary="another")
    anchors = Anchors([first, second])
    assert (anchors[first], anchors[second]) == ("finding-signal-errors-riser-2", "finding-signal-errors-riser-2--2")


@pytest.mark.parametrize(("count", "words"), [(0, "0 signs"), (1, "1 sign"), (2, "2 signs")])
def test_counts_agree_with_their_noun(count: int, words: str) -> None:
    assert count_words(count, "sign", "signs") == words
