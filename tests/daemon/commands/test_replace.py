"""The command guides, waits, looks at the new drive, and never runs anything; its status is the answer."""

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from boxes.recorded_box import lay_array, live_through, make_box, put, record, record_lines, stand
from contracts.hand_made import Ended, inside
from laneproof.commands import judgement
from laneproof.commands.history_file import HISTORY
from laneproof.history.store import Store
from simulation.box import SimulatedBox
from simulation.hardware import Drive

BUILD = """
schema = 1
box.name = "tern-2"
array = [{ name = "md0", level = "raid1", members = ["riser-1", "riser-2"] }]
[[position]]
label = "riser-1"
path = "0000:00/01.1"
[[position]]
label = "riser-2"
path = "0000:00/01.2"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", capacity = "4 TB", serial = "A2" }
"""


def make_mirror() -> SimulatedBox:
    box = make_box(2)
    lay_array(box, "nvme0n1", "nvme1n1")
    return box


@dataclass
class Files:
    """A declaration, and recordings of a whole, a degraded and a mended box."""

    build: str
    whole: str
    degraded: str
    exchanged: str


@pytest.fixture
def files(tmp_path: Path) -> Files:
    (tmp_path / "build.toml").write_text(BUILD)
    whole, degraded, exchanged = make_mirror(), make_mirror(), make_mirror()
    lay_array(degraded, "nvme0n1")
    lay_array(exchanged, "nvme0n1")
    exchanged.ports[1].drive = Drive(serial="B7")
    return Files(
        build=str(tmp_path / "build.toml"),
        whole=record(tmp_path / "whole.jsonl", whole),
        degraded=record(tmp_path / "degraded.jsonl", degraded),
        exchanged=record(tmp_path / "exchanged.jsonl", exchanged),
    )


def run(*arguments: object) -> Ended:
    return inside("replace", *arguments)


def test_recording_is_guided_through_and_nothing_is_waited_for(files: Files) -> None:
    ended = run("riser-2", "--from", files.whole, "--build", files.build)
    assert ended.status == 2  # nobody has seen md0 checked
    assert ended.out.startswith("NOT SURE: replacing the drive in riser-2\n")
    assert "mdadm /dev/md0 --fail /dev/nvme1n1 --remove /dev/nvme1n1" in ended.out
    assert "Waiting" not in ended.out


def test_last_drive_of_a_mirror_is_not_to_be_touched(files: Files) -> None:
    ended = run("riser-1", "--from", files.degraded, "--build", files.build)
    assert ended.status == 1
    assert ended.out.startswith("NOT SAFE NOW: ")
    assert "riser-1: nvme0, serial A1 (a second loss takes all data of md0)" in ended.out
    assert "Steps, in this order" not in ended.out


def test_steps_can_be_had_all_the_same(files: Files) -> None:
    ended = run("riser-1", "--from", files.degraded, "--build", files.build, "--yes")
    assert ended.status == 1
    assert "Steps, in this order" in ended.out


def test_new_drive_is_looked_at_without_waiting_in_a_recording(files: Files) -> None:
    ended = run("riser-2", "--from", files.exchanged, "--build", files.build, "--was", "A2")
    assert (ended.status, ended.out.splitlines()[0]) == (0, "THE NEW DRIVE FITS: riser-2")
    assert "mdadm /dev/md0 --add /dev/nvme1n1\n" in ended.out
    ended = run("riser-2", "--from", files.exchanged, "--build", files.build, "--was", "B7", "--json")
    answer = ended.json()
    assert (ended.status, answer["verdict"], answer["items"][0]["result"]) == (1, "differs", "differs")


def test_mistyped_number_does_not_pass_the_old_drive_as_another_one(files: Files) -> None:
    ended = run("riser-2", "--from", files.whole, "--build", files.build, "--was", "A22")
    assert (ended.status, ended.out.splitlines()[0]) == (2, "THE NEW DRIVE COULD NOT BE VERIFIED: riser-2")
    assert "It is A2, but A22 was never seen here (seen: A2), so this could be the old one." in " ".join(
        ended.out.split()
    )
    assert "--add" not in ended.out


def test_json_is_the_guides_own(files: Files) -> None:
    ended = run("nvme0", "--from", files.degraded, "--build", files.build, "--json")
    answer = ended.json()
    assert (ended.status, answer["position"], answer["safety"]) == (1, "riser-1", "not-safe")


def test_picture_marks_what_to_leave_and_what_to_swap(files: Files, tmp_path: Path) -> None:
    picture = tmp_path / "box.svg"
    run("riser-2", "--from", files.whole, "--build", files.build, "--picture", str(picture))
    drawn = ET.fromstring(picture.read_text())
    words = [element.text for element in drawn.iter("{http://www.w3.org/2000/svg}text")]
    assert words.count("do not touch") == 1
    assert words.count("here") == 1


def test_demo_is_guided_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ended = run("deck-1", "--demo")
    assert ended.status in (1, 2)
    assert "deck-1" in ended.out.splitlines()[0]
    assert max(map(len, ended.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("arguments", "status", "expect"),
    [
        (("nvme9",), os.EX_USAGE, "nothing here is called 'nvme9'"),
        (("md0",), os.EX_USAGE, "'md0' stands for several drives: riser-1 (member 0 of md0), riser-2"),
        (("riser-1", "--timeout", "soon"), os.EX_USAGE, "not a number of seconds"),
    ],
)
def test_doubtful_name_is_one_line_and_a_status(
    files: Files, arguments: tuple[str, ...], status: int, expect: str
) -> None:
    ended = run(*arguments, "--from", files.whole, "--build", files.build)
    assert (ended.status, ended.out) == (status, "")
    assert expect in ended.err


# --- a machine that lives while the command waits ---------------------------------------------------------------------


@pytest.fixture
def living(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    """Put a living box in the place of this machine: its second drive is out of md0, then pulled, then exchanged.

    Gives the folder of a history that is not there.
    """
    box = make_mirror()
    lay_array(box, "nvme0n1")
    host = live_through(record_lines(box, stand, put(None), put(Drive(serial="B7")), every=2.0))
    monkeypatch.setattr(judgement, "open_host", lambda _: contextlib.nullcontext(host))
    return str(tmp_path / "no-history")


def test_command_waits_for_the_new_drive_and_says_that_it_fits(files: Files, living: str) -> None:
    ended = run("riser-2", "--build", files.build, "--state", living)
    assert ended.status == 0
    guide, found = ended.out.split("\nWaiting for another drive in riser-2 (at most 1800 s;")
    assert f"What showed over time is not known here: {living}/history.db: there is no history" in guide
    assert "the position is empty\na drive is there; it is given time to settle\nTHE NEW DRIVE FITS: riser-2\n" in found
    assert "mdadm /dev/md0 --add /dev/nvme1n1\n" in found


def test_where_the_declaration_is_gone_the_one_that_the_service_kept_is_used(
    living: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(tmp_path / "gone.toml"))
    assert run("riser-2", "--state", living, "--print").status == os.EX_USAGE  # nothing declares that name
    with contextlib.closing(Store.open(str(tmp_path / HISTORY))) as store:
        store.save_state("declaration", {"text": BUILD, "path": "/etc/laneproof/build.toml"})
    ended = run("riser-2", "--state", tmp_path, "--print")
    assert "serial number A2" in ended.out
    assert "is gone; the declaration that the service kept is used" in caplog.text


def test_printing_does_not_wait(files: Files, living: str) -> None:
    assert "Waiting" not in run("riser-2", "--build", files.build, "--state", living, "--print").out


def test_unsafe_swap_does_not_wait(files: Files, living: str) -> None:
    ended = run("riser-1", "--build", files.build, "--state", living)
    assert ended.status == 1
    assert "Waiting" not in ended.out


def test_after_the_start_the_check_waits_too_and_json_stays_clean(files: Files, living: str) -> None:
    ended = run("riser-2", "--build", files.build, "--state", living, "--was", "A2", "--json")
    assert (ended.status, ended.json()["verdict"]) == (0, "fits")


def test_drive_that_does_not_come_ends_with_a_status_of_its_own(files: Files, living: str) -> None:
    state = ("--build", files.build, "--state", living)
    ended = run("riser-1", *state, "--was", "A1", "--timeout", "30")
    assert ended.status == os.EX_TEMPFAIL
    assert "no other drive appeared in riser-1 (0000:00/01.1) within 30 s" in ended.err
