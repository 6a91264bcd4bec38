"""The command that shows how a position went."""

import os
from pathlib import Path

import pytest

from boxes.passes import Passes
from boxes.recorded_box import DAY, make_box, record, stand
from boxes.snapshot_box import kelp_box, make_array
from contracts.hand_made import Ended, inside
from laneproof.history.store import Store

BUILD = 'schema = 1\nbox.name = "kelp-1"\n' + "".join(
    f'[[position]]\nlabel = "riser-{number}"\npath = "0000:00/01.{number}"\n' for number in (1, 2)
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep two days of a box whose first drive finds media errors, and leave its declaration beside it."""
    box = kelp_box(2).with_group(arrays=(make_array("md0", ("nvme0n1", "nvme1n1")),))
    store, passes = Store.open(str(tmp_path / "history.db")), Passes(box).errors("0000:00/01.1", BadTLP=0)
    for number in range(48):
        passes.wait(3600).errors("0000:00/01.1", BadTLP=number // 4)
        store.add_pass(passes.drive(0, health={"media_errors": number // 10}).take())
    store.close()
    (tmp_path / "build.toml").write_text(BUILD)
    monkeypatch.setattr("laneproof.commands.box_past.now_by_clock", lambda: passes.t)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def run(folder: Path, *arguments: str) -> Ended:
    return inside("trend", *arguments, "--state", folder, "--build", folder / "build.toml")


def test_a_position_is_shown_by_its_label(folder: Path) -> None:
    ended = run(folder, "riser-1", "--since", "2d")
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith("riser-1: ")
    assert "\nLink at 0000:00/01.1\n" in ended.out
    assert "\nDrive nvme0, Fulmar N4, FN0001\n" in ended.out
    (media,) = [line for line in ended.out.splitlines() if line.startswith("  media errors")]
    assert media.endswith("  4, most 1/2 h")
    assert max(map(len, ended.out.splitlines())) <= 80


def test_without_a_position_the_whole_box_is_shown(folder: Path) -> None:
    ended = run(folder, "--since", "2d")
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith("kelp-1: 1 of 3 got worse, ")
    assert "\nNothing got worse: riser-2, md0.\n" in ended.out
    answer = run(folder, "--since", "2d", "--json").json()
    assert {subject["subject"]: [chart["name"] for chart in subject["worse"]] for subject in answer["subjects"]} == {
        "riser-1": ["correctable_errors", "media_errors"], "riser-2": [], "md0": [],
    }  # fmt: skip


@pytest.mark.parametrize("name", ["riser-1", "0000:00/01.1", "FN0001", "nvme0", "nvme0n1"])
def test_a_position_is_found_by_any_of_its_names(folder: Path, name: str) -> None:
    answer = run(folder, name, "--json").json()
    assert (answer["subject"], answer["path"], answer["drive"]) == ("riser-1", "0000:00/01.1", "FN0001")


def test_json_holds_every_chart_and_bit(folder: Path) -> None:
    answer = run(folder, "riser-1", "--since", "2d", "--json").json()
    charts = {(chart["end"], chart["name"]): chart for chart in answer["charts"]}
    assert charts["port", "correctable_errors"]["gained"] == 11
    assert charts["drive", "media_errors"]["gained"] == 4
    assert sum(chart["gained"] for chart in charts["drive", "media_errors"]["columns"] if chart) == 4
    assert "correctable_errors.BadTLP" in {series["name"] for series in answer["series"]}


def test_a_drives_history_goes_with_it(folder: Path) -> None:
    # The second position has its own errors; the first drive's media errors are not among them.
    answer = run(folder, "riser-2", "--json").json()
    assert {series["drive"] for series in answer["series"]} == {"FN0002"}


def test_an_array_has_a_trend_too(folder: Path) -> None:
    ended = run(folder, "md0")
    assert ended.status == 0
    assert "  members missing" in ended.out


def test_a_name_that_is_not_known_gets_the_nearest(folder: Path) -> None:
    ended = run(folder, "riser1")
    assert (ended.status, ended.out) == (os.EX_USAGE, "")
    assert ended.err == "laneproof: nothing that was kept is called 'riser1'; did you mean riser-1?\n"
    ended = run(folder, "???")
    assert "; there is 0000:00/01.1, " in ended.err


def test_a_time_of_which_nothing_is_known_says_so(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "history.db"))
    store.add_pass(Passes(t=1_000_000.0).take())
    store.close()
    (tmp_path / "build.toml").write_text(BUILD)
    ended = run(tmp_path, "riser-1", "--since", "2d")
    assert ended.status == 0
    assert "Nothing was read of riser-1 in that time." in ended.out


def test_what_was_declared_and_never_there_can_be_asked_for(folder: Path) -> None:
    text = BUILD + '[[position]]\nlabel = "deck-9"\npath = "0000:00/1f.0"\n'
    (folder / "build.toml").write_text(text)
    ended = run(folder, "deck-9")
    assert (ended.status, "Nothing was read of deck-9" in ended.out) == (0, True)


def test_the_width_may_be_given(folder: Path) -> None:
    ended = run(folder, "riser-1", "--width", "44")
    assert max(map(len, ended.out.splitlines())) <= 44


@pytest.mark.parametrize("bad", [["--since", "soon"], ["--since", "now"], ["--width", "0"]])
def test_wrong_arguments_are_one_line(folder: Path, bad: list[str]) -> None:
    assert run(folder, "riser-1", *bad).status == os.EX_USAGE


def test_a_recording_has_a_trend_too(tmp_path: Path) -> None:
    file = record(tmp_path / "box.jsonl", make_box(), *[stand] * 5, every=DAY)
    answer = inside("trend", "A1", "--from", file, "--json").json()
    assert answer["path"] == "0000:00/01.1"
    assert [chart["name"] for chart in answer["charts"] if chart["name"] == "media_errors"] == ["media_errors"]
