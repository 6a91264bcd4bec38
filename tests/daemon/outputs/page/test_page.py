"""The page says the verdict first, holds all that was found, and is sound HTML whatever a device calls itself."""

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from boxes.kept_position import find_position, make_facts, make_past, make_series
from boxes.snapshot_box import Box, declare, kelp_box, without_groups
from boxes.troubled_box import SIGN, Judged, judge, troubled
from laneproof.advice import OPEN_CASE
from laneproof.findings import Change, Finding, FindingChange, Kind
from laneproof.outputs.page.guide import GuideFacts, write_guide_page
from laneproof.outputs.page.page import PageFacts, draw_icon, write_page
from laneproof.outputs.page.position_page import write_position
from laneproof.outputs.page.words import draw_strands
from laneproof.replacement import Keep, make_guide
from laneproof_collectors.snapshot import GROUPS
from laneproof_collectors.unread import Reason, Unread
from support.html_tree import STYLE, Node, read_html

GAP = Unread("anything", "made up", Reason.FAILED)


def facts(judged: Judged, **more: Any) -> PageFacts:
    found = {"build": judged.build, "problem": None, "snapshot": judged.snapshot, "findings": judged.findings}
    return PageFacts(**found | more)


def page(judged: Judged | None = None, **more: Any) -> Node:
    return read_html(write_page(facts(judged or troubled(), **more)))


def sound() -> Judged:
    return judge('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"', kelp_box(1).snapshot())


def test_the_verdict_stands_first_in_words() -> None:
    first = page()
    assert first.one("h1").text == "kelp-1 is not as it should be"
    assert first.one(class_="counts").text == (
        "4 differences, 1 sign of failure, 1 thing unverified, 1 difference accepted."
    )
    assert first.one("head").one("title").content == ["kelp-1 is not as it should be"]


def test_a_box_that_holds_is_not_called_healthy() -> None:
    shown = page(sound())
    assert shown.one("h1").text == "kelp-1 holds"
    assert shown.one(class_="counts").text == "all is as declared, and no sign of failure was seen."
    assert "healthy" not in shown.text.lower()
    assert shown.all("article") == []


def test_what_is_only_unverified_says_so() -> None:
    judged = troubled()
    shown = page(
        replace(judged, findings=tuple(finding for finding in judged.findings if finding.kind is Kind.UNVERIFIED))
    )
    assert shown.one("h1").text == "kelp-1 could not be verified"
    assert "unverified" in (shown.one("h1").attributes["class"] or "")


def test_before_the_first_pass_the_page_says_that() -> None:
    shown = read_html(write_page(PageFacts(build=None, problem="line 3: wrong", snapshot=None, findings=())))
    assert "The first pass over the machine is not complete yet." in shown.text
    assert "line 3: wrong" in shown.text


def test_without_a_declaration_draft_is_offered() -> None:
    assert "laneproof draft writes a first one." in page(judge(None, kelp_box(1).snapshot())).text


def test_readings_that_hang_are_reported() -> None:
    notice = page(overdue={"thermal": 61.2, "file_systems": 45.0}).one(class_="message", role="alert")
    assert [element.text for element in notice.all("li")] == [
        "file systems: no answer for 45 s",
        "thermal: no answer for 61 s",
    ]


def test_every_finding_is_there() -> None:
    judged = troubled()
    shown = page(judged).all("div", "finding")
    assert len(shown) == len(judged.findings)
    assert all(any(finding.summary in card.text for card in shown) for finding in judged.findings)


def test_everything_can_be_reached_by_headings_and_landmarks() -> None:
    shown = page()
    assert shown.one("html").attributes["lang"] == "en"
    assert len(shown.all("h1")) == len(shown.all("main")) == len(shown.all("header")) == len(shown.all("footer")) == 1
    levels = [int(element.tag[1]) for element in shown.all() if re.fullmatch("h[1-6]", element.tag)]
    assert all(deeper - level <= 1 for level, deeper in pairwise(levels))


def test_every_link_works_below_any_path() -> None:
    # RFC 3986, 5.2: a reference that begins with neither a scheme nor a slash is taken from the page's own folder.
    links = [str(element.attributes.get("href") or element.attributes.get("src") or "") for element in page().all()]
    assert {"api/v1/audit", "metrics"} <= set(links)
    assert [link for link in links if link.startswith("/") or ":" in link] == []


@pytest.mark.parametrize(
    ("age", "words", "is_late"),
    [(0.4, "0 seconds ago", False), (61.0, "1 minute ago", False), (300.0, "5 minutes ago", False),
     (301.0, "5 minutes ago (late)", True), (7300.0, "2 hours ago (late)", True)],
)  # fmt: skip
def test_the_age_of_the_reading_is_in_words_and_marked_when_late(age: float, words: str, is_late: bool) -> None:
    whole = page(age_seconds=age)
    read = whole.one(class_="read").text
    shown = read if is_late else read.replace(" (late)", "")  # hidden by the style sheet
    assert shown.startswith(f"Read {words} , at 2026-09-21 14:13 UTC")
    assert (whole.one("body").attributes.get("class") == "late") == is_late


def test_the_first_thing_to_tab_to_leads_to_the_findings() -> None:
    assert page().all("a")[0].attributes == {"href": "#main", "class": "skip"}


def test_nothing_is_loaded_from_elsewhere_and_nothing_is_styled_or_scripted_inline() -> None:
    shown = page()
    loaded = [
        element.attributes.get("src") or element.attributes.get("href")
        for element in shown.all()
        if element.tag in ("link", "script", "img")
    ]
    assert loaded == ["icon.svg", "style.css", "page.js"]
    assert [
        element for element in shown.all() if "style" in element.attributes
    ] == []  # the content policy forbids them
    assert [key for element in shown.all() for key in element.attributes if key.startswith("on")] == []
    assert "".join(map(str, shown.one("script").content)) == ""


def test_each_table_has_headers_for_its_columns_and_its_rows() -> None:
    box = kelp_box(2).with_array("md0", ("nvme0n1",)).with_network("0000:00/03.0", "enp3s0")
    box.with_bond("bond0", ("enp3s0",))
    tables = page(judge(None, box.snapshot())).all("table")
    assert len(tables) == 4
    for table in tables:
        columns = [element.text for element in table.one("thead").all("th", scope="col")]
        for row in table.one("tbody").all("tr"):
            cells = [part for part in row.content if isinstance(part, Node)]
            assert [cell.attributes["data-label"] for cell in cells] == columns
            assert [cell.attributes.get("scope") for cell in cells if cell.tag == "th"] == ["row"]


def test_the_cautions_are_on_the_page_once_whatever_was_found() -> None:
    assert page().text.count(OPEN_CASE) == 1
    assert page(sound()).one("footer").text.count(OPEN_CASE) == 1


@pytest.mark.parametrize(
    ("findings", "verdict"), [(None, "unverified"), ((), "holds"), (troubled().findings, "differs")]
)
def test_the_icon_is_the_mark_of_the_verdict(findings: tuple[Finding, ...] | None, verdict: str) -> None:
    icon = draw_icon(findings, declared=True)
    assert "".join(draw_strands(verdict)) in icon


@settings(max_examples=50)
@given(
    text=st.text(min_size=1, max_size=40)
    | st.sampled_from(["<script>alert(1)</script>", '"><img src=x onerror=y>', "]]>", "&amp;", "{{x}}", "'; --"])
)
def test_names_of_any_kind_stay_text(text: str) -> None:
    build = declare('[[position]]\nlabel = "x"\npath = "0000:00/01.1"')
    build = build.model_copy(update={"position": (build.position[0].model_copy(update={"label": text}),)})
    box = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", model=text, serial=text, firmware=text)
    judged = judge(None, box.snapshot())
    finding = replace(troubled().findings[0], position=text, summary=text, subject=text, evidence={text: text})
    shown = page(Judged(build=build, snapshot=judged.snapshot, findings=(finding,)), problem=text)
    plain = page(sound())
    assert {element.tag for element in shown.all()} <= {element.tag for element in plain.all()} | ARTICLE_TAGS
    assert len(shown.all("script")) == 1


ARTICLE_TAGS = {"article", "h3", "ol", "details", "summary", "h4", "code", "path"}


TWO = "".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in (1, 2))


@settings(max_examples=40)
@given(st.sets(st.sampled_from(sorted(GROUPS))))
def test_a_machine_with_any_part_unread_still_has_a_page_that_does_not_hold(missing: set[str]) -> None:
    snapshot = without_groups(kelp_box(2).snapshot(), missing, GAP)
    shown = page(judge(TWO, snapshot))
    assert ("holds" in shown.one("h1").text) == (not missing)


def test_without_a_declaration_nothing_is_said_to_hold() -> None:
    shown = page(judge(None, kelp_box(2).snapshot()))
    assert "could not be verified" in shown.one("h1").text
    assert "nothing is declared" in shown.text
    assert "".join(draw_strands("unverified")) in draw_icon((), declared=False)


def test_the_page_of_many_drives_stays_small() -> None:
    text = write_page(facts(judge(None, kelp_box(24).snapshot())))
    assert len(text) < 120_000


THEMES = [
    dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block)) for block in re.findall(r":root \{([^}]*--ink[^}]*)\}", STYLE)
]


def luminance(colour: str) -> float:
    """Give the relative luminance. Source: WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Give the contrast ratio, 1 to 21. Source: WCAG 2.2, definition of contrast ratio."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_reckoned_as_the_guidelines_do() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # a published example of what just fails


@pytest.mark.parametrize("theme", THEMES, ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "tile"])
def test_words_and_drawings_stand_out_in_both_themes(theme: dict[str, str], ground: str) -> None:
    for words in ("ink", "soft", "bad", "doubt", "good"):
        assert contrast(theme[words], theme[ground]) >= 4.5, words  # WCAG 2.2, 1.4.3
    for drawn in ("lane", "bad", "doubt", "good", "focus"):
        assert contrast(theme[drawn], theme[ground]) >= 3.0, drawn  # WCAG 2.2, 1.4.11, 2.4.13


def test_the_style_loads_nothing_and_shows_focus() -> None:
    assert len(THEMES) == 2
    assert "@import" not in STYLE
    assert "url(" not in STYLE
    assert ":focus-visible" in STYLE
    assert "outline: none" not in STYLE


def test_every_class_that_is_styled_is_used() -> None:
    recent = (FindingChange(at=1.0, change=Change.RAISED, finding=SIGN),)
    shown = write_page(facts(troubled(), problem="x", overdue={"thermal": 61.0}, recent=recent, age_seconds=400.0))
    holds = write_page(facts(sound()))
    waiting = write_page(PageFacts(build=None, problem=None, snapshot=None, findings=()))
    past = make_past(make_series("trained_lanes", 4, 2, end="port", is_counter=False))
    guide = make_guide(find_position("riser-3"), None, troubled().snapshot, ())
    guides = write_guide_page(
        GuideFacts(build=None, snapshot=troubled().snapshot, findings=(), guide=guide, with_steps=True)
    )
    kept = replace(guide, keep=(Keep(path="0000:00/01.2", name="x", drive="x", why="x"),))
    keeps = write_guide_page(GuideFacts(build=None, snapshot=troubled().snapshot, findings=(), guide=kept))
    used = {
        name
        for text in (shown, holds, waiting, write_position(make_facts(past=past)), guides, keeps)
        for names in re.findall(r'class="([^"]*)"', text)
        for name in names.split()
    }
    styled = set(re.findall(r"\.([a-z]+)(?=[^{}]*\{)", re.sub(r"\{[^{}]*\}|/\*.*?\*/", "{}", STYLE)))
    set_by_script_or_state = {"lost", "late", "unknown", "beyond", "unverified", "evidence", "unlikely"}
    assert styled - used - set_by_script_or_state == set()
