"""audit --html: the demo's months in one file, and none of its serial numbers where they are to be hidden."""

from pathlib import Path

import pytest

from boxes.troubled_box import troubled
from contracts.hand_made import inside
from laneproof.commands.this_machine import JudgedNow
from support.html_tree import read_html


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> str:
    file = tmp_path_factory.mktemp("report") / "kelp-1.html"
    assert inside("audit", "--demo", "--hide-serials", "--html", file).status == 1
    return file.read_text("utf-8")


@pytest.mark.parametrize(
    "words",
    [
        "kelp-1 is not as it should be",
        "signal-errors",
        "link errors (port)",
        "board firmware version 1.20 of 03/14/2026, before 1.18 of 11/02/2025",
        "AER: Corrected error received",
        "dropped off the bus",
    ],
)
def test_what_stands_what_was_counted_and_what_happened_is_in_it(written: str, words: str) -> None:
    assert words in written


def test_its_tables_say_figures_at_first_since_and_now_and_what_happened_where(written: str) -> None:
    main_part = read_html(written).one("html", lang="en").one("body").one("main")
    rows = [[cell.text for cell in row.all() if cell.tag in ("th", "td")] for row in main_part.all("tr", role="row")]
    assert ["riser-3", "lanes (port)", "x4", "", "x2"] in rows
    assert ["riser-3", "link errors (port)", "", "13,796", "13,796"] in rows
    assert not [row for row in rows if row[1:2] in (["kernel's events"], ["machine started"])]
    happened = [row for row in rows if len(row) == 4 and row[0].endswith("UTC")]
    assert [row[:3] for row in happened][2:4] == [
        ["2026-06-26 02:15 UTC", "deck-2", "aer correctable"],
        ["2026-07-04 19:13 UTC", "the box", "booted"],
    ]
    assert any(row[2].endswith(" times") for row in happened)
    assert not any(row[2].endswith(", 1 times") for row in happened)
    assert [part.one("h2").text for part in main_part.all("section") if part.all("svg", class_="bp")] == ["The box"]


@pytest.mark.parametrize("maker", ["FP4K-26A", "SW8T-55"])
def test_no_serial_number_is_in_it(written: str, maker: str) -> None:
    assert maker not in written


@pytest.mark.parametrize("words", [["--hide-serials"], ["--since", "7d"], ["--follow", "--html", "x"]])
def test_options_that_do_not_go_together_are_refused(words: list[str]) -> None:
    assert inside("audit", "--demo", *words).status == 64


def test_a_box_without_a_service_has_a_report_of_today(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    judged = troubled()
    now = JudgedNow(build=judged.build, problem=None, snapshot=judged.snapshot, findings=judged.findings)
    monkeypatch.setattr("laneproof.commands.report.judge_now", lambda _: now)
    monkeypatch.setattr("laneproof.commands.box_past.find_history", lambda _: str(tmp_path / "none" / "history.db"))
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(tmp_path / "none.toml"))
    assert inside("audit", "--html", tmp_path / "report.html").status == 1
    assert "signal-errors" in (tmp_path / "report.html").read_text("utf-8")
    assert inside("audit", "--html", tmp_path / "x.html", "--state", tmp_path / "none").status == 66
