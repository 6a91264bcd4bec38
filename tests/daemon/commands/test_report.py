"""audit --html: the demo's months in one file, and none of its serial numbers where they are to be hidden."""

from pathlib import Path

import pytest

from laneproof.cli import main


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
