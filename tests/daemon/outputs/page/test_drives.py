"""The drives on the page: distance from their own limits, and nothing claimed that was not read."""

from typing import Any

import pytest

from boxes.snapshot_box import SATA, Box, declare
from laneproof.outputs.page.drives import write_drives
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread
from support.html_tree import Node, read_html

GAP = Unread("log 02h", "no", Reason.DENIED)


def cells(snapshot: Snapshot, build: str = "") -> list[dict[str, Node]]:
    written = write_drives(declare(build) if build else None, snapshot)
    assert written is not None
    rows = read_html(written).one("tbody").all("tr")
    return [
        {str(part.attributes["data-label"]): part for part in row.content if isinstance(part, Node)} for row in rows
    ]


def drive(**health: Any) -> dict[str, str]:
    (row,) = cells(Box().with_drive("0000:00/05.0", health=health).snapshot())
    return {name: cell.text for name, cell in row.items()}


def test_a_drive_is_reported_with_its_position_else_its_path() -> None:
    box = Box().with_drive("0000:00/05.0", model="Fulmar N4")
    build = '[[position]]\nlabel = "riser-1"\npath = "0000:00/05.0"'
    assert cells(box.snapshot(), build)[0]["Position"].text == "riser-1"
    assert cells(box.snapshot())[0]["Position"].text == "0000:00/05.0"
    assert cells(box.snapshot())[0]["Drive"].text == "nvme0 4 TB Fulmar N4"


@pytest.mark.parametrize(
    ("health", "column", "words"),
    [
        ({"composite_temperature_celsius": 38.0}, "Temperature", "38 °C 42 °C below its warning"),
        ({"composite_temperature_celsius": 80.0}, "Temperature", "80 °C 0 °C above its warning"),
        ({"composite_temperature_celsius": 83.5}, "Temperature", "83.5 °C 3.5 °C above its warning"),
        ({"composite_temperature_celsius": None}, "Temperature", "not reported"),
        ({"percentage_used": 2}, "Wear", "2 % of its rated life used"),
        ({"percentage_used": 180}, "Wear", "180 % of its rated life used"),
        ({"absent": ("percentage_used",)}, "Wear", "unverified"),
        ({"available_spare_percent": 97}, "Spare", "97 % warns below 10 %"),
        ({"media_errors": 0}, "Media errors", "none counted"),  # which is no health
        ({"media_errors": 4}, "Media errors", "4 counted"),
        ({"absent": ("media_errors",)}, "Media errors", "unverified"),
        ({"power_on_hours": 5}, "Power-on time", "5 h"),
        ({"power_on_hours": 50}, "Power-on time", "2 days"),
        ({"power_on_hours": 240_000}, "Power-on time", "10 000 days"),
    ],
)
def test_each_figure_is_held_against_the_drives_own_limit(health: dict[str, Any], column: str, words: str) -> None:
    assert drive(**health)[column] == words


def test_without_a_limit_heat_is_reported_as_it_is() -> None:
    box = Box().with_drive("0000:00/05.0", controller={"identity": GAP})
    assert cells(box.snapshot())[0]["Temperature"].text == "38 °C, no limit stated"


def test_what_was_not_read_is_unverified_in_every_cell() -> None:
    (row,) = cells(Box().with_drive("0000:00/05.0", health=GAP).snapshot())
    assert {row[name].text for name in ("Temperature", "Wear", "Spare", "Media errors", "Power-on time")} == {
        "unverified"
    }


def test_a_drive_that_sleeps_was_not_asked() -> None:
    (row,) = cells(Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", asleep=True).snapshot())
    assert row["Temperature"].text == "asleep, not asked"


def test_a_sata_drive_shows_its_own_figures() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA)
    box.with_sata_drive(
        "0000:00/17.0/ata-1", temperature_celsius=31.0, reallocated_sectors=2, uncorrectable_sectors=GAP
    )
    (row,) = cells(box.snapshot())
    assert row["Temperature"].text == "31 °C"
    assert row["Spare"].text == "2 sectors reallocated"
    assert row["Media errors"].text == "unverified"
    assert row["Power-on time"].text == "375 days"


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 38.0, 84.9, 300.0])
def test_the_bead_stays_on_its_rail(celsius: float) -> None:
    (row,) = cells(Box().with_drive("0000:00/05.0", health={"composite_temperature_celsius": celsius}).snapshot())
    bead = row["Temperature"].one("circle", class_="bead")
    assert 2 <= float(str(bead.attributes["cx"])) <= 78
    assert row["Temperature"].one("path", class_="rail").attributes["d"] == f"M2 {bead.attributes['cy']}H78"


def test_a_box_without_drives_has_no_table() -> None:
    assert write_drives(None, Box().snapshot()) is None
