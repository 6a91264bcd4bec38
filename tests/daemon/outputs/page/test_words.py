"""Seals, times and counts, as all parts of the page write them."""

import math

import pytest

from html_tree import read_html
from laneproof.findings import Kind
from laneproof.outputs.page.words import anchor, count_words, seal, seal_of, show_time
from troubled_box import troubled


@pytest.mark.parametrize(("said", "gap"), [("holds", 0.0), ("differs", 0.28), ("unverified", 0.59)])
def test_a_seal_is_told_by_its_ring_and_not_only_by_its_colour(said: str, gap: float) -> None:
    ring = read_html(seal(said)).one("circle", "ring")
    dashes = ring.attributes.get("stroke-dasharray")
    around = 2 * math.pi * float(str(ring.attributes["r"]))
    if dashes is None:
        assert gap == 0.0
    else:
        drawn, left_out = map(float, dashes.split())
        assert left_out / (drawn + left_out) == pytest.approx(gap, abs=0.01)
        assert around / (drawn + left_out) == pytest.approx(round(around / (drawn + left_out)), abs=0.02)


def test_a_sign_and_a_difference_have_the_broken_ring() -> None:
    assert seal_of(Kind.SIGN) == seal_of(Kind.DIFFERS) == seal("differs")
    assert seal_of(Kind.UNVERIFIED) == seal("unverified")


def test_a_time_is_for_people_and_for_programs() -> None:
    time = read_html(show_time(1_790_000_000.0)).one("time")
    assert (time.text, time.attributes["datetime"]) == ("2026-09-21 14:13 UTC", "2026-09-21T14:13:20Z")


def test_each_finding_has_a_place_of_its_own() -> None:
    findings = troubled().findings
    assert len({anchor(findings, one) for one in findings}) == len(findings)


@pytest.mark.parametrize(("count", "words"), [(0, "0 signs"), (1, "1 sign"), (2, "2 signs")])
def test_counts_agree_with_their_noun(count: int, words: str) -> None:
    assert count_words(count, "sign", "signs") == words
