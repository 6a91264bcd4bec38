"""The command compares two looks from anywhere; its status is one a script can use, its complaint one line."""

import gzip
import json
import os
import re
from pathlib import Path

import pytest

from laneproof.cli import main
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

START = 1_790_000_000.0  # 2026-09-21T14:13:20Z
DAY = 86400.0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Record three days of a box: as built, a day later with a narrow link, a day later with another drive."""
    box = SimulatedBox(name="tern-2", ports=[Port(hop="01.1", drive=Drive(serial="A1"))])
    writer = RecordingWriter(box)
    writer.take(box, t=START, up=60.0)
    box.ports[0].wired_lanes = 2
    writer.take(box, t=START + DAY, up=60.0 + DAY)
    box.ports[0].drive = Drive(serial="B2")
    writer.take(box, t=START + 2 * DAY, up=60.0 + 2 * DAY)
    (tmp_path / "box.jsonl").write_text("".join(f"{line}\n" for line in writer.lines))
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["changes", *arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_the_demo_is_shown_in_80_columns(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, _ = run(capsys, "--demo")
    assert status == 1
    assert re.match(r"kelp-1: \d CHANGES\n", out)
    assert "  board firmware: version 1.20 of 03/14/2026, before 1.18 of 11/02/2025\n" in out
    assert max(map(len, out.splitlines())) <= 80


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
def test_recording_stands_as_at_the_moment_named(  # noqa: PLR0913 (a table's row)
    capsys: pytest.CaptureFixture[str], folder: Path, first: str, second: str, status: int, expect: str
) -> None:
    recording = str(folder / "box.jsonl")
    ended, out, _ = run(capsys, recording + first, recording + second)
    assert ended == status
    assert expect in out


def test_audits_json_is_enough(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    recording = str(folder / "box.jsonl")
    main(["audit", "--from", recording, "--json"])
    audit = folder / "audit.json"
    audit.write_text(capsys.readouterr().out)
    assert run(capsys, str(audit), recording)[0] == 0
    assert run(capsys, recording, str(audit))[0] == 0
    status, out, _ = run(capsys, f"{recording}@2d", str(audit))
    assert status == 1
    assert "serial B2" in out


def test_packed_recording_and_audit_are_read_too(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    recording = folder / "box.jsonl"
    packed = folder / "box.jsonl.gz"
    packed.write_bytes(gzip.compress(recording.read_bytes()))
    assert run(capsys, str(recording), str(packed))[0] == 0


def test_file_with_an_at_in_its_name_is_that_file(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    odd = folder / "box@home.jsonl"
    odd.write_bytes((folder / "box.jsonl").read_bytes())
    assert run(capsys, str(odd), f"{odd}@now")[0] == 0


def test_json_gives_both_snapshots_and_the_verdict(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    recording = str(folder / "box.jsonl")
    status, out, _ = run(capsys, f"{recording}@2d", recording, "--json")
    answer = json.loads(out)
    assert (status, answer["verdict"], answer["before"]["taken_at"]) == (1, "changed", "2026-09-21T14:13:20Z")
    (change,) = answer["changes"]
    assert (change["what"], change["path"]) == ("replaced", "0000:00/01.1")


def test_snapshot_that_could_not_read_as_much_ends_with_2(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    recording = str(folder / "box.jsonl")
    lines = (folder / "box.jsonl").read_text().splitlines()
    frame = json.loads(lines[1])
    path = "/sys/module/pcie_aspm/parameters/policy"
    del frame["files"][path]
    frame["errors"] = {path: "EACCES"}
    blind = folder / "blind.jsonl"
    blind.write_text(f"{lines[0]}\n{json.dumps(frame)}\n")
    status, out, _ = run(capsys, f"{recording}@2d", str(blind))
    assert status == 2
    assert "NO CHANGE SEEN" in out
    assert "settings.aspm_policy" in out


def test_labels_come_from_the_declaration(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    build = folder / "build.toml"
    build.write_text('schema = 1\nbox.name = "tern-2"\n[[position]]\nlabel = "upper"\npath = "0000:00/01.1"\n')
    recording = str(folder / "box.jsonl")
    assert "\n  upper: trained gen4 x2" in run(capsys, f"{recording}@2d", f"{recording}@1d", "--build", str(build))[1]


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
def test_snapshot_that_cannot_be_had_is_one_line_and_a_status(  # noqa: PLR0913 (a table's row)
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    status: int,
    expect: str,
) -> None:
    monkeypatch.chdir(folder)
    Path("odd.json").write_text('{"schema": 1, "box": "x"}')
    Path("empty.json").write_text("")
    Path("audit.json").write_text("{}")
    Path("headless.jsonl").write_text(Path("box.jsonl").read_text().splitlines()[0] + "\n")
    ended, out, said = run(capsys, *arguments)
    assert (ended, out, said.count("\n")) == (status, "", 1)
    assert expect in said
