"""The command compares two looks from anywhere; its status is one a script can use, its complaint one line."""

import gzip
import json
import os
import re
from pathlib import Path

import pytest

from boxes.recorded_box import DAY, START, make_box, record, stand, wire
from contracts.hand_made import inside
from simulation.box import SimulatedBox
from simulation.hardware import Drive


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Record three days of a box: as built, a day later with a narrow link, a day later with another drive."""

    def exchange(box: SimulatedBox) -> None:
        box.ports[0].drive = Drive(serial="B2")

    record(tmp_path / "box.jsonl", make_box(), stand, wire(2), exchange, every=DAY)
    return tmp_path


def test_the_demo_is_shown_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ended = inside("changes", "--demo")
    assert ended.status == 1
    assert re.match(r"kelp-1: \d CHANGES\n", ended.out)
    assert "  board firmware: version 1.20 of 03/14/2026, before 1.18 of 11/02/2025\n" in ended.out
    assert max(map(len, ended.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("first", "second", "status", "expect"),
    [
        ("@2026-09-22", "@2026-09-22T00:00:00Z", 0, "NO CHANGE"),
        ("@2d", "@1d", 1, "trained gen4 x2, before gen4 x4"),
        ("@1d", "", 1, "serial B2, 4 TB is here now"),
        (f"@{START:.0f}", "@now", 1, "serial B2"),
        ("", "", 0, "NO CHANGE"),
    ],
)
def test_recording_stands_as_at_the_moment_named(
    folder: Path, first: str, second: str, status: int, expect: str
) -> None:
    recording = folder / "box.jsonl"
    ended = inside("changes", f"{recording}{first}", f"{recording}{second}")
    assert ended.status == status
    assert expect in ended.out


def test_audits_json_is_enough(folder: Path) -> None:
    recording, audit = folder / "box.jsonl", folder / "audit.json"
    audit.write_text(inside("audit", "--from", recording, "--json").out)
    assert inside("changes", audit, recording).status == 0
    assert inside("changes", recording, audit).status == 0
    ended = inside("changes", f"{recording}@2d", audit)
    assert ended.status == 1
    assert "serial B2" in ended.out


def test_packed_recording_and_a_file_with_an_at_in_its_name_are_read_too(folder: Path) -> None:
    recording, packed, odd = (folder / name for name in ("box.jsonl", "box.jsonl.gz", "box@home.jsonl"))
    packed.write_bytes(gzip.compress(recording.read_bytes()))
    odd.write_bytes(recording.read_bytes())
    assert inside("changes", recording, packed).status == 0
    assert inside("changes", odd, f"{odd}@now").status == 0


def test_json_gives_both_snapshots_and_the_verdict(folder: Path) -> None:
    ended = inside("changes", f"{folder}/box.jsonl@2d", folder / "box.jsonl", "--json")
    answer = ended.json()
    assert (ended.status, answer["verdict"], answer["before"]["taken_at"]) == (1, "changed", "2026-09-21T14:13:20Z")
    (change,) = answer["changes"]
    assert (change["what"], change["path"]) == ("replaced", "0000:00/01.1")


def test_snapshot_that_could_not_read_as_much_ends_with_2(folder: Path) -> None:
    lines = (folder / "box.jsonl").read_text().splitlines()
    frame = json.loads(lines[1])
    path = "/sys/module/pcie_aspm/parameters/policy"
    del frame["files"][path]
    frame["errors"] = {path: "EACCES"}
    blind = folder / "blind.jsonl"
    blind.write_text(f"{lines[0]}\n{json.dumps(frame)}\n")
    ended = inside("changes", f"{folder}/box.jsonl@2d", blind)
    assert ended.status == 2
    assert "NO CHANGE SEEN" in ended.out
    assert "settings.aspm_policy" in ended.out


def test_labels_come_from_the_declaration(folder: Path) -> None:
    build, recording = folder / "build.toml", folder / "box.jsonl"
    build.write_text('schema = 1\nbox.name = "tern-2"\n[[position]]\nlabel = "upper"\npath = "0000:00/01.1"\n')
    ended = inside("changes", f"{recording}@2d", f"{recording}@1d", "--build", build)
    assert "\n  upper: trained gen4 x2" in ended.out


@pytest.mark.parametrize(
    ("arguments", "status", "expect"),
    [
        ((), os.EX_USAGE, "name what to begin with"),
        (("none.jsonl",), os.EX_NOINPUT, "none.jsonl: no such file"),
        (("none.jsonl@30d",), os.EX_NOINPUT, "none.jsonl: no such file"),
        (("box.jsonl@soon",), os.EX_USAGE, "'soon' is no moment"),
        (("box.jsonl@2026-09-01",), os.EX_DATAERR, "begins at 2026-09-21T14:13:20Z, after 2026-09-01"),
        (("odd.json",), os.EX_DATAERR, "odd.json: neither a recording nor an audit's JSON"),
        (("empty.json",), os.EX_DATAERR, "empty.json: neither a recording nor an audit's JSON"),
        (("audit.json@30d",), os.EX_USAGE, "an audit has one moment only"),
        (("headless.jsonl",), os.EX_DATAERR, "has no frame"),
        (("@soon",), os.EX_USAGE, "'soon' is no moment"),
        (("@2026-11-20", "--state", "nowhere"), os.EX_NOINPUT, "there is no history"),
    ],
)
def test_snapshot_that_cannot_be_had_is_one_line_and_a_status(
    folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], status: int, expect: str
) -> None:
    monkeypatch.chdir(folder)
    Path("odd.json").write_text('{"schema": 1, "box": "x"}')
    Path("empty.json").write_text("")
    Path("audit.json").write_text("{}")
    Path("headless.jsonl").write_text(Path("box.jsonl").read_text().splitlines()[0] + "\n")
    ended = inside("changes", *arguments)
    assert (ended.status, ended.out) == (status, "")
    assert expect in ended.err
