"""A finding on the page: what, since when, both values, causes, the next step open and the rest folded away."""

from dataclasses import replace

from html_tree import Node, read_html
from laneproof.findings import Cause, order_findings
from laneproof.outputs.page.findings import write_findings
from troubled_box import SIGN, troubled


def articles(*findings: object) -> list[Node]:
    return read_html(write_findings(order_findings(findings or troubled().findings))).all("article")  # type: ignore[arg-type]


def test_the_loudest_stands_first_and_what_is_accepted_last() -> None:
    heads = [one.one("h3").text for one in articles()]
    assert heads[0] == "riser-2 signal-errors"
    assert heads[-1] == "deck-1 link-slow"
    assert "Accepted: spare cable on order" in articles()[-1].text


def test_kind_severity_and_beginning_are_words() -> None:
    (sign,) = articles(SIGN)
    assert sign.one(class_="kind").text == "sign of failure, critical since 2026-09-21 14:13 UTC"
    (fresh,) = articles(replace(SIGN, since=None))
    assert "since" not in fresh.one(class_="kind").text


def test_both_values_stand_side_by_side() -> None:
    narrow = next(one for one in articles() if "link-narrow" in one.text)
    pairs = [(one.one("dt").text, one.one("dd").text) for one in narrow.one(class_="values").all("div")]
    assert pairs == [("declared", "x4"), ("observed", "x2")]
    assert articles(SIGN)[0].all(class_="values") == []  # only one value is said


def test_causes_are_told_with_figure_bar_and_reasons() -> None:
    first, second = articles(SIGN)[0].one(class_="causes").all("li")
    assert first.text == "signal-path 82% both ends count; a flexible cable is between"
    assert second.text == "drive-failing 11%"
    assert first.one(class_="filled").attributes["x2"] == "82"


def test_more_reasons_than_three_are_folded_away() -> None:
    many = Cause(cause="signal-path", probability=0.9, because=("a", "b", "c", "d", "e"))
    (sign,) = articles(replace(SIGN, causes=(many,)))
    (cause,) = sign.one(class_="causes").all("li")[:1]
    assert cause.one(class_="because").text == "a; b; c"
    assert cause.one("details").text == "2 more reasons d e"


def test_times_and_truths_in_the_evidence_are_words() -> None:
    (one,) = articles(replace(SIGN, evidence={"last_evidence_at": 1_790_000_000.0, "back": True}, next_steps=()))
    assert one.one("dl", class_="evidence").text == "last evidence at 2026-09-21 14:13 UTC back yes"


def test_only_the_likeliest_cause_gives_its_reasons_and_unlikely_ones_are_folded_away() -> None:
    causes = [Cause(cause=name, probability=share, because=("why",)) for name, share in
              (("a", 0.7), ("b", 0.2), ("c", 0.04), ("d", 0.004))]  # fmt: skip
    (sign,) = articles(replace(SIGN, causes=tuple(causes)))
    shown = sign.all(class_="causes")[0]
    assert [one.text for one in shown.all("li")] == ["a 70% why", "b 20%"]
    folded = sign.one(class_="unlikely")
    assert folded.one("summary").text == "2 less likely causes"
    assert [one.text for one in folded.all("li")] == ["c 4% why", "d below 1% why"]


def test_a_probability_beyond_its_range_stays_on_its_rail() -> None:
    (odd,) = articles(replace(SIGN, causes=(Cause(cause="x", probability=1.5), Cause(cause="y", probability=-1))))
    assert [one.attributes["x2"] for one in odd.all(class_="filled")] == ["100"]


def test_the_first_step_is_open_and_the_rest_is_folded_with_its_number() -> None:
    (sign,) = articles(SIGN)
    assert sign.one(class_="next").text == "Next: Reseat the cable with the box off."
    then, evidence = sign.all("details")
    assert then.one("ol").attributes["start"] == "2"
    assert [one.text for one in then.all("li")] == ["Swap riser-1 and riser-2 and see which one errors follow."]
    assert evidence.text == "Evidence count 5 seconds 10"


def test_evidence_that_is_no_figure_is_left_to_the_json() -> None:
    (one,) = articles(replace(SIGN, evidence={"points": [1, 2], "ratio": 0.123456}, next_steps=()))
    assert one.one("dl", class_="evidence").text == "ratio 0.1235"
    (bare,) = articles(replace(SIGN, evidence={}, next_steps=()))
    assert bare.all("details") == []


def test_nothing_found_writes_nothing() -> None:
    assert read_html(write_findings(())).text == ""
