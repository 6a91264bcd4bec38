"""The guide's text: the answer, what must not be touched, why, then the steps; whole commands, whole cautions."""

import pytest

from boxes.array_box import BUILD, CHECKED, array_box, guide_for
from boxes.snapshot_box import Box
from laneproof.advice import OPEN_CASE
from laneproof.box.shown_positions import list_positions
from laneproof.outputs.replace_text import write_fit, write_guide
from laneproof.outputs.text_style import NARROWEST, Style
from laneproof.past.past import NO_PAST, Past
from laneproof.replacement import Fit, FitItem

DEGRADED = ("in_sync", "in_sync", "in_sync", "faulty")


def write(name: str, box: Box, *, past: Past = CHECKED, with_steps: bool = True, style: Style | None = None) -> str:
    positions = list_positions(BUILD, box.snapshot())
    return write_guide(guide_for(name, box, past=past), positions, style or Style(width=80), with_steps=with_steps)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_answer_stands_first_with_the_drive_and_its_serial() -> None:
    assert write("riser-4", array_box()).startswith(
        "SAFE NOW: replacing the drive in riser-4\n  nvme3, Fulmar N4, 4 TB, serial number FN0004\n"
    )


def test_what_must_not_be_touched_stands_before_everything_else() -> None:
    text = write("riser-2", array_box(*DEGRADED), with_steps=False)
    assert text.startswith("NOT SAFE NOW: replacing the drive in riser-2\n")
    keep = text.index("Must not be touched")
    assert keep < text.index("Not now, because") < text.index("Where\n")
    assert "  riser-2: nvme1, serial FN0002 (a second loss takes all data of md0)\n" in text
    assert "This position must not be touched." in flat(text)


def test_tree_marks_what_to_replace_and_what_to_leave() -> None:
    text = write("riser-4", array_box(*DEGRADED))
    assert text.count("◀ do not touch") == 3
    assert text.count("◀ the one to replace") == 1
    unsafe = write("riser-2", array_box(*DEGRADED))
    assert unsafe.count("◀ do not touch") == 3
    assert "the one to replace" not in unsafe


def test_doubt_is_no_all_clear() -> None:
    text = write("riser-4", array_box(), past=NO_PAST)
    assert text.startswith("NOT SURE: replacing the drive in riser-4\n")
    assert "Not all that decides it is in order, or could be read" in flat(text)
    assert "Settle these first\n" in text


def test_steps_are_numbered_in_order_and_every_caution_is_whole() -> None:
    text = write("riser-4", array_box())
    numbers = [int(line[:2]) for line in text.splitlines() if line[:2].strip().isdigit() and line[2:4] == ". "]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) == 10
    assert f"! {flat(OPEN_CASE)}" in flat(text)
    cautions = [caution for caution in flat(text).split(" ! ")[1:] if "laneproof runs none of them" in caution]
    assert len(cautions) == 1, "each caution once"
    assert text.rstrip().endswith("local\nrules for work on mains.")


def test_steps_are_left_out_where_they_would_tempt() -> None:
    text = write("riser-2", array_box(*DEGRADED), with_steps=False)
    assert "Steps, in this order" not in text
    assert "mdadm" not in text
    assert text.rstrip().endswith("The steps are not shown, since it is not safe now. --yes shows them.")


def test_empty_position_is_fitted_not_replaced() -> None:
    assert write("deck-3", array_box()).startswith("SAFE NOW: fitting a drive in deck-3\n")


@pytest.mark.parametrize("width", [NARROWEST, 80])
def test_text_fits_its_width_and_commands_stay_whole(width: int) -> None:
    text = write("riser-4", array_box(), style=Style(width=width))
    commands = {"mdadm /dev/md0 --replace /dev/nvme3n1p2 --with /dev/NEWp2", "laneproof replace riser-4 --was FN0004"}
    assert commands <= {line.strip() for line in text.splitlines()}
    too_long = [line for line in text.splitlines() if len(line) > width and not line.startswith("      ")]
    assert too_long == []


def test_the_answer_alone_is_coloured() -> None:
    coloured = write("riser-2", array_box(*DEGRADED), style=Style(width=80, colour=True))
    assert coloured.startswith("\x1b[1;31mNOT SAFE NOW\x1b[0m: ")


def fit(*items: FitItem, advice: tuple[str, ...] = (), commands: tuple[str, ...] = ()) -> str:
    position = guide_for("riser-4", array_box()).position
    return write_fit(Fit(position=position, items=items, advice=advice, commands=commands), Style(width=80))


def test_fit_names_each_item_by_a_word() -> None:
    text = fit(
        FitItem(what="trained", holds=True, says="x4."),
        FitItem(what="large enough", holds=False, says="It is not."),
        FitItem(what="healthy", holds=None, says="Not read."),
    )
    assert text == (
        "THE NEW DRIVE DOES NOT FIT: riser-4\n"
        "  nvme3, Fulmar N4, 4 TB\n"
        "  ok  trained: x4.\n"
        "  NO  large enough: It is not.\n"
        "  ?   healthy: Not read.\n"
    )


def test_fit_ends_with_what_a_person_may_run() -> None:
    text = fit(
        FitItem(what="trained", holds=True, says="x4."), advice=("Read it first.",), commands=("laneproof audit",)
    )
    assert text.startswith("THE NEW DRIVE FITS: riser-4\n")
    assert text.endswith("\nWhat to do next\n  - Read it first.\n      laneproof audit\n")


def test_fit_that_could_not_be_verified_says_so() -> None:
    assert fit(FitItem(what="x", holds=None, says="y")).startswith("THE NEW DRIVE COULD NOT BE VERIFIED: riser-4\n")
