"""The command finds a drive by any name, asks for links and lights, and refuses a doubtful name in one line."""

import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from boxes.recorded_box import make_box, record
from contracts.hand_made import inside, write

BY_ID = "/dev/disk/by-id/nvme-Fathomline_Petrel_4000_A1"
LED = "0000:00:01.1:enclosure:locate"


@pytest.fixture
def recording(tmp_path: Path) -> str:
    box = make_box(2)
    box.extra_links |= {
        BY_ID: "../../nvme0n1",
        "/dev/disk/by-label/archive": "../../nvme1n1p1",
        "/dev/mapper/vault": "../dm-0",
        "/sys/class/block/dm-0/slaves/nvme1n1p3": "../x",
        "/dev/disk/by-id/ata-Elsewhere_99": "../../sdz",
        f"/sys/class/leds/{LED}": "../x",
    }
    return record(tmp_path / "box.jsonl", box)


def test_demo_shows_a_position_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ended = inside("where", "nvme2", "--demo")
    assert (ended.status, ended.out.splitlines()[0]) == (0, "riser-3: nvme2, Fathomline Petrel 4000, 4 TB")
    assert 'passive-split, then flexible-cable marked "green tape"' in ended.out
    assert max(map(len, ended.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("name", "path"),
    [
        (BY_ID, "0000:00/01.1"),
        ("/dev/disk/by-label/archive", "0000:00/01.2"),
        ("/dev/mapper/vault", "0000:00/01.2"),
        ("A2", "0000:00/01.2"),
    ],
)
def test_links_under_dev_are_followed(recording: str, name: str, path: str) -> None:
    ended = inside("where", name, "--from", recording, "--json")
    assert ended.status == 0
    assert [position["path"] for position in ended.json()["places"]] == [path]


def test_links_and_lights_of_the_drive_are_reported(recording: str) -> None:
    (position,) = inside("where", "nvme0", "--from", recording, "--json").json()["places"]
    assert position["occupant"]["links"] == [BY_ID]
    assert [led["file"] for led in position["locate_leds"]] == [f"/sys/class/leds/{LED}/brightness"]
    (other,) = inside("where", "nvme1", "--from", recording, "--json").json()["places"]
    assert other["locate_leds"] == []


def test_picture_is_written_whole(tmp_path: Path) -> None:
    picture = tmp_path / "box.svg"
    assert inside("where", "riser-3", "--demo", "--picture", picture).status == 0
    drawn = ET.fromstring(picture.read_text())
    assert (drawn.findtext("{http://www.w3.org/2000/svg}title")) == "kelp-1: riser-3"
    assert list(tmp_path.glob("*.part")) == []


@pytest.mark.parametrize(
    ("arguments", "status", "expect"),
    [
        (("nvme9", "--demo"), os.EX_USAGE, "nothing here is called 'nvme9'; did you mean"),
        (("FP4K", "--demo"), os.EX_USAGE, "'FP4K' could be riser-1"),
        ((), os.EX_USAGE, "DRIVE"),
        (("nvme0", "--from", "none.jsonl"), os.EX_NOINPUT, "none.jsonl"),
        (("nvme0", "--demo", "--picture", "no/such/folder.svg"), os.EX_CANTCREAT, "no/such/folder.svg"),
    ],
)
def test_what_cannot_be_answered_is_one_line_and_a_status(arguments: tuple[str, ...], status: int, expect: str) -> None:
    ended = inside("where", *arguments)
    assert (ended.status, ended.out) == (status, "")
    assert expect in ended.err


def test_link_to_no_drive_of_this_box_is_reported(recording: str) -> None:
    ended = inside("where", "/dev/disk/by-id/ata-Elsewhere_99", "--from", recording)
    assert ended.status == os.EX_USAGE
    assert "/dev/disk/by-id/ata-Elsewhere_99 leads to sdz, and nothing here is called 'sdz'" in ended.err


def test_tree_that_could_not_be_read_is_no_empty_box(tmp_path: Path) -> None:
    ended = inside("where", "nvme0", "--from", write(tmp_path / "blind.jsonl", {"t": 1.0}))
    assert ended.status == os.EX_IOERR
    assert "could not read /sys/bus/pci/devices" in ended.err
