"""The command finds a drive by any name, asks for links and lights, and refuses a doubtful name in one line."""

import json
import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from laneproof.cli import main
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

BY_ID = "/dev/disk/by-id/nvme-Fathomline_Petrel_4000_A1"
LED = "0000:00:01.1:enclosure:locate"


@pytest.fixture
def recording(tmp_path: Path) -> str:
    box = SimulatedBox(
        name="tern-2",
        ports=[Port(hop="01.1", drive=Drive(serial="A1")), Port(hop="01.2", drive=Drive(serial="A2"))],
    )
    box.extra_links |= {
        BY_ID: "../../nvme0n1",
        "/dev/disk/by-label/archive": "../../nvme1n1p1",
        "/dev/mapper/vault": "../dm-0",
        "/sys/class/block/dm-0/slaves/nvme1n1p3": "../x",
        "/dev/disk/by-id/ata-Elsewhere_99": "../../sdz",
        f"/sys/class/leds/{LED}": "../x",
    }
    writer = RecordingWriter(box)
    writer.take(box, t=1_790_000_000.0, up=60.0)
    file = tmp_path / "box.jsonl"
    file.write_text("".join(f"{line}\n" for line in writer.lines))
    return str(file)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["where", *arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_demo_shows_a_position_in_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, _ = run(capsys, "nvme2", "--demo")
    assert (status, out.splitlines()[0]) == (0, "riser-3: nvme2, Fathomline Petrel 4000, 4 TB")
    assert 'passive-split, then flexible-cable marked "green tape"' in out
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("name", "path"),
    [
        (BY_ID, "0000:00/01.1"),
        ("/dev/disk/by-label/archive", "0000:00/01.2"),
        ("/dev/mapper/vault", "0000:00/01.2"),
        ("A2", "0000:00/01.2"),
    ],
)
def test_links_under_dev_are_followed(capsys: pytest.CaptureFixture[str], recording: str, name: str, path: str) -> None:
    status, out, _ = run(capsys, name, "--from", recording, "--json")
    assert status == 0
    assert [one["path"] for one in json.loads(out)["places"]] == [path]


def test_links_and_lights_of_the_drive_are_reported(capsys: pytest.CaptureFixture[str], recording: str) -> None:
    (place,) = json.loads(run(capsys, "nvme0", "--from", recording, "--json")[1])["places"]
    assert place["occupant"]["links"] == [BY_ID]
    assert [one["file"] for one in place["locate_leds"]] == [f"/sys/class/leds/{LED}/brightness"]
    (other,) = json.loads(run(capsys, "nvme1", "--from", recording, "--json")[1])["places"]
    assert other["locate_leds"] == []


def test_picture_is_written_whole(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "box.svg"
    assert run(capsys, "riser-3", "--demo", "--picture", str(picture))[0] == 0
    drawn = ET.fromstring(picture.read_text())  # noqa: S314 (written a line above)
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
def test_what_cannot_be_answered_is_one_line_and_a_status(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], status: int, expect: str
) -> None:
    try:
        ended = main(["where", *arguments])
    except SystemExit as stopped:
        ended = int(str(stopped.code))
    said = capsys.readouterr()
    assert (ended, said.out, said.err.count("\n")) == (status, "", 1)
    assert expect in said.err


def test_link_to_no_drive_of_this_box_is_reported(capsys: pytest.CaptureFixture[str], recording: str) -> None:
    status, _, said = run(capsys, "/dev/disk/by-id/ata-Elsewhere_99", "--from", recording)
    assert status == os.EX_USAGE
    assert "/dev/disk/by-id/ata-Elsewhere_99 leads to sdz, and nothing here is called 'sdz'" in said


def test_tree_that_could_not_be_read_is_no_empty_box(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "blind.jsonl"
    header = {"format": "laneproof-recording", "version": 1}
    frame = {"t": 1.0, "files": {"/proc/uptime": "1.0 1.0"}}
    file.write_text(f"{json.dumps(header)}\n{json.dumps(frame)}\n")
    status, _, said = run(capsys, "nvme0", "--from", str(file))
    assert status == os.EX_IOERR
    assert "could not read /sys/bus/pci/devices" in said
