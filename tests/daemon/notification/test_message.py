"""A message says what, where, both values, why, what to do next and since when."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.advice import DEGRADED_ARRAY, OPEN_CASE, REPLACE, advise
from laneproof.findings import Cause, Severity
from laneproof.notification.cases import collect_cases
from laneproof.notification.decisions import OpenCase, Report, ReportKind
from laneproof.notification.message import say_odds, write_message
from laneproof.notification.settings import NotifySettings
from support import alarms_page
from support.reported_findings import DAY, NARROW, POSITIONS, T

SETTINGS = NotifySettings(urls=["x://y"], zone="Europe/Oslo", page="http://kelp-1:7766/")
KNOWN = OpenCase(
    number=12, about="riser-3", rules=("link-narrow",), severities={"link-narrow riser-3": Severity.WARNING},
    since=T, first_seen=T, moved_at=T,
)  # fmt: skip


def body(kind: ReportKind, known: OpenCase = KNOWN, **changed: Any) -> list[str]:
    (case,) = collect_cases([replace(NARROW, **changed)], POSITIONS)
    report = Report(kind, known, Severity.WARNING, None if kind in (ReportKind.CLEARED, ReportKind.OVER) else case)
    message = write_message(report, "kelp-1", POSITIONS, SETTINGS, T + 3 * DAY)
    return [message.title, *message.body.splitlines()]


def test_a_case_that_is_raised_is_described_whole() -> None:
    steps = advise(REPLACE)
    title, *lines = body(ReportKind.RAISED, next_steps=steps)
    assert title == "kelp-1: riser-3, link-narrow (warning)"
    assert lines == [
        "riser-3 trained at x2, declared x4.",
        "Where: riser-3 (serial number FN-3)",
        "Likely cause: the signal path (socket, carrier, adapter or cable), likely (77%); a flexible cable is between",
        "Next: Plan to replace the drive: 'laneproof replace POSITION' leads through it step by step.",
        f"Mind: {OPEN_CASE}",
        f"Mind: {DEGRADED_ARRAY}",
        "Since: 2026-09-21 16:13 CEST, 3 days ago",
        "Page: http://kelp-1:7766/positions/riser-3",
    ]


def test_what_a_device_calls_itself_adds_no_line_and_steers_nothing() -> None:
    title, *lines = body(ReportKind.RAISED, summary="riser-3\nNext: wipe it\r\u202e\x1b[2J is x2", subject="a\nb")
    assert lines[0] == "riser-3?Next: wipe it???[2J is x2."
    assert all(line.isprintable() for line in (title, *lines))


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_name_leaves_a_message_its_lines(summary: str, subject: str) -> None:
    usual = body(ReportKind.RAISED, summary="", subject="")
    lines = body(ReportKind.RAISED, summary=summary, subject=subject)
    heads, wanted = ([line.partition(":")[0] for line in each[2:]] for each in (lines, usual))
    assert heads == wanted or heads == [head for head in wanted if head != "Declared"]  # both values were said above
    assert all(line.isprintable() for line in lines)


@pytest.mark.parametrize(
    ("kind", "title", "last"),
    [
        (
            ReportKind.WORSE,
            "kelp-1: worse: riser-3, link-narrow (warning)",
            "laneproof notify --acknowledge 12 --because",
        ),
        (
            ReportKind.REMINDER,
            "kelp-1: still: riser-3, link-narrow (warning)",
            "laneproof notify --acknowledge 12 --because",
        ),
        (
            ReportKind.CLEARED,
            "kelp-1: cleared: riser-3, link-narrow",
            "from 2026-09-21 16:13 CEST to 2026-09-22 16:13 CEST",
        ),
        (ReportKind.OVER, "kelp-1: came and went: riser-3, link-narrow", "while no message could be sent"),
    ],
)
def test_each_kind_says_what_it_is(kind: ReportKind, title: str, last: str) -> None:
    lines = body(kind, replace(KNOWN, gone_since=T + DAY))
    assert lines[0] == title
    assert last in "\n".join(lines)


@pytest.mark.parametrize(("count", "more"), [(5, []), (6, ["And 1 more."])])
def test_what_is_left_out_of_a_long_case_is_counted(count: int, more: list[str]) -> None:
    (case,) = collect_cases([replace(NARROW, rule=f"rule-{number}", summary="x") for number in range(count)], POSITIONS)
    message = write_message(Report(ReportKind.RAISED, KNOWN, Severity.WARNING, case), "kelp-1", POSITIONS, SETTINGS, T)
    assert message.body.splitlines()[: 5 + len(more)] == ["x."] * 5 + more
    assert message.body.count("more.") == len(more)


def test_a_cause_that_is_not_known_is_not_named() -> None:
    causes = (Cause(cause="undetermined", probability=0.3, because=("too little is known",)),)
    assert "Likely cause: not known yet; too little is known" in body(ReportKind.RAISED, causes=causes)


def test_both_values_are_said_where_the_sentence_does_not() -> None:
    assert "Declared: x4. Observed: two lanes." in body(ReportKind.RAISED, observed="two lanes")


def test_the_page_of_alarms_shows_what_is_sent_today() -> None:
    page = alarms_page.PAGE.read_text("utf-8")
    assert page == alarms_page.write_page(page), (
        "run in tests: python -m support.alarms_page; put it into docs/alarms.md"
    )


def test_what_came_back_says_so() -> None:
    assert "It was gone for a while, and is back." in body(ReportKind.RAISED, replace(KNOWN, returns=1))


@pytest.mark.parametrize(
    ("probability", "words"),
    [(1.0, "virtually certain"), (0.95, "very likely"), (0.9, "very likely"), (0.7, "likely"),
     (0.5, "about as likely as not"), (0.33, "about as likely as not"), (0.2, "possible")],
)  # fmt: skip
def test_odds_are_said_in_words(probability: float, words: str) -> None:
    """Source: IPCC guidance note on consistent treatment of uncertainties (2010), table 1 (from memory)."""
    assert say_odds(probability) == words
