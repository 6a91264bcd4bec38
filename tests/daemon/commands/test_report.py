"""audit --html: the demo's months in one file, and none of its serial numbers where they are to be hidden."""

from pathlib import Path

import pytest

from laneproof.cli import main
from laneproof.commands.this_machine import Now
from troubled_box import troubled


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> str:
    file = tmp_path_factory.mktemp("report") / "kelp-1.html"
    assert main(["audit", "--demo", "--hide-serials", "--html", str(file)]) == 1
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


@pytest.mark.parametrize("maker", ["FP4K-26A", "SW8T-55"])
def test_no_serial_number_is_in_it(written: str, maker: str) -> None:
    assert maker not in written


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--demo", "--html", str(tmp_path / "none" / "x.html")]) == 73
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--hide-serials"], ["--since", "7d"], ["--follow", "--html", "x"]])
def test_options_that_do_not_go_together_are_refused(words: list[str]) -> None:
    try:
        status = main(["audit", "--demo", *words])
    except SystemExit as ended:  # the parser's own
        status = ended.code
    assert status == 64


def test_a_box_without_a_service_has_a_report_of_today(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    judged = troubled()
    now = Now(build=judged.build, problem=None, snapshot=judged.snapshot, findings=judged.findings)
    monkeypatch.setattr("laneproof.commands.report.judge_now", lambda _: now)
    monkeypatch.setattr("laneproof.commands.box_past.find_history", lambda _: str(tmp_path / "none" / "history.db"))
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(tmp_path / "none.toml"))
    assert main(["audit", "--html", str(tmp_path / "report.html")]) == 1
    assert "signal-errors" in (tmp_path / "report.html").read_text("utf-8")
    assert main(["audit", "--html", str(tmp_path / "x.html"), "--state", str(tmp_path / "none")]) == 66
