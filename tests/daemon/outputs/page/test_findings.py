"""A case on the page: what, since when, both values, causes, the next step open and the rest folded away."""

from dataclasses import replace

from boxes.troubled_box import SIGN, troubled
from laneproof.advice import OPEN_CASE
from laneproof.findings import Cause, Finding, order_findings
from laneproof.outputs.page.findings import write_findings
from laneproof.outputs.page.words import Anchors
from support.html_tree import Node, read_html


def cases(*findings: Finding) -> list[Node]:
    ordered = order_findings(findings or troubled().findings)
    return read_html(write_findings(ordered, Anchors(ordered))).all("article")


def test_the_loudest_stands_first_and_what_is_accepted_last() -> None:
    heads = [case.one("h3").text for case in cases()]
    assert (heads[0], heads[-1]) == ("riser-2", "deck-1")
    assert "Accepted: spare cable on order" in cases()[-1].text


def test_findings_of_one_position_and_cause_share_a_card_with_cause_and_steps_once() -> None:
    (card,) = cases(SIGN, replace(SIGN, rule="link-narrow", summary="riser-2 trained at x2, declared x4"))
    assert [element.one(class_="rule").text for element in card.all("div", "finding")] == [
        "link-narrow",
        "signal-errors",
    ]
    assert card.text.count("the signal path") == 1
    assert card.text.count("Reseat the cable") == 1
    assert len({str(element.attributes["id"]) for element in card.all("div", "finding")}) == 2


def test_each_caution_stands_once_below_the_cards() -> None:
    step = f"Reseat it. {OPEN_CASE}"
    written = str(
        write_findings(found := [replace(SIGN, position=name, next_steps=(step,)) for name in "abc"], Anchors(found))
    )
    page = read_html(written)
    assert page.text.count(OPEN_CASE) == 1
    assert page.one("section", **{"aria-labelledby": "cautions"}).one("li").text == OPEN_CASE
    assert [card.one(class_="next").text for card in page.all("article")] == ["Next: Reseat it."] * 3


def test_kind_severity_and_beginning_are_words() -> None:
    (sign,) = cases(SIGN)
    assert sign.one(class_="kind").text == "sign of failure, critical since 2026-09-21 14:13 UTC"
    (fresh,) = cases(replace(SIGN, since=None))
    assert "since" not in fresh.one(class_="kind").text


def test_both_values_stand_side_by_side() -> None:
    narrow = next(case for case in cases() if "link-narrow" in case.text)
    pairs = [(element.one("dt").text, element.one("dd").text) for element in narrow.one(class_="values").all("div")]
    assert pairs == [("declared", "x4"), ("observed", "x2")]
    assert cases(SIGN)[0].all(class_="values") == []  # only one value is said


def test_causes_are_reported_with_figure_bar_and_reasons() -> None:
    first, second = cases(SIGN)[0].one(class_="causes").all("li")
    assert first.text == (
        "the signal path (socket, carrier, adapter or cable) 82% both ends count; a flexible cable is between"
    )
    assert second.text == "the drive itself, failing 11%"
    assert first.one(class_="filled").attributes["x2"] == "82"


def test_more_reasons_than_three_are_folded_away() -> None:
    many = Cause(cause="signal-path", probability=0.9, because=("a", "b", "c", "d", "e"))
    (sign,) = cases(replace(SIGN, causes=(many,)))
    (cause,) = sign.one(class_="causes").all("li")[:1]
    assert cause.one(class_="because").text == "a; b; c"
    assert cause.one("details").text == "2 more reasons d e"


def test_times_and_truths_in_the_evidence_are_words() -> None:
    (one,) = cases(replace(SIGN, evidence={"last_evidence_at": 1_790_000_000.0, "back": True}, next_steps=()))
    assert one.one("dl", class_="evidence").text == "last evidence at 2026-09-21 14:13 UTC back yes"
    (one,) = cases(replace(SIGN, evidence={"since": "2026-09-21T14:13:20Z", "a": "9999-99-99T99:99:99Z"}))
    assert one.one("dl", class_="evidence").text == "since 2026-09-21 14:13 UTC a 9999-99-99T99:99:99Z"


def test_only_the_likeliest_cause_gives_its_reasons_and_unlikely_ones_are_folded_away() -> None:
    causes = [Cause(cause=name, probability=share, because=("why",)) for name, share in
              (("a", 0.7), ("b", 0.2), ("c", 0.04), ("d", 0.004))]  # fmt: skip
    (sign,) = cases(replace(SIGN, causes=tuple(causes)))
    shown = sign.all(class_="causes")[0]
    assert [element.text for element in shown.all("li")] == ["a 70% why", "b 20%"]
    folded = sign.one(class_="unlikely")
    assert folded.one("summary").text == "2 less likely causes"
    assert [element.text for element in folded.all("li")] == ["c 4% why", "d below 1% why"]


def test_a_probability_beyond_its_range_stays_on_its_rail() -> None:
    (odd,) = cases(replace(SIGN, causes=(Cause(cause="x", probability=1.5), Cause(cause="y", probability=-1))))
    assert [element.attributes["x2"] for element in odd.all(class_="filled")] == ["100"]


def test_the_first_step_is_open_and_the_rest_is_folded_with_its_number() -> None:
    (sign,) = cases(SIGN)
    assert sign.one(class_="next").text == "Next: Reseat the cable with the box off."
    then, evidence = sign.all("details")
    assert then.one("ol").attributes["start"] == "2"
    assert [element.text for element in then.all("li")] == ["Swap riser-1 and riser-2 and see which one errors follow."]
    assert evidence.text == "Evidence count 5 seconds 10"


def test_evidence_that_is_no_figure_is_left_to_the_json() -> None:
    (one,) = cases(replace(SIGN, evidence={"points": [1, 2], "ratio": 0.123456}, next_steps=()))
    assert one.one("dl", class_="evidence").text == "ratio 0.1235"
    (bare,) = cases(replace(SIGN, evidence={}, next_steps=()))
    assert bare.all("details") == []


def test_nothing_found_writes_nothing() -> None:
    assert read_html(write_findings((), Anchors(()))).text == ""
