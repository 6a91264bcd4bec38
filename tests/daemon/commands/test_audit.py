"""One look at a machine: the verdict is the exit status, and the JSON keeps to the schema that the program exports."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from laneproof.cli import main
from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

Turn = Callable[[SimulatedBox], None]
BUILD = """
schema = 1
[box]
name = "tern-2"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", serial = "A1" }
"""


@pytest.fixture(autouse=True)
def no_installed_declaration(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(tmp_path / "none" / "build.toml"))


@pytest.fixture
def build(tmp_path: Path) -> str:
    file = tmp_path / "build.toml"
    file.write_text(BUILD)
    return str(file)


def record(folder: Path, *turns: Turn) -> str:
    """Write a recording of a box with one drive, a frame a turn."""
    box = SimulatedBox(
        name="tern-2",
        ports=[Port(hop="01.1", drive=Drive(serial="A1"))],
        extra_files={"/proc/mounts": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"},
    )
    writer = RecordingWriter(box)
    for number, turn in enumerate(turns or (lambda _: None,)):
        turn(box)
        writer.take(box, t=1_790_000_000.0 + number, up=60.0 + number)
    file = folder / "box.jsonl"
    file.write_text("".join(f"{line}\n" for line in writer.lines))
    return str(file)


def narrow(box: SimulatedBox) -> None:
    box.ports[0].wired_lanes = 2


def refuse(box: SimulatedBox) -> None:
    box.ports[0].drive.refuses_health = 6  # type: ignore[union-attr]


def test_all_holds_is_0(tmp_path: Path, build: str, capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["audit", "--from", record(tmp_path), "--build", build])
    assert capsys.readouterr().out.startswith("tern-2: HOLDS - everything declared holds\n")
    assert status == 0


def test_something_differs_is_1(tmp_path: Path, build: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--from", record(tmp_path, narrow), "--build", build]) == 1
    out = capsys.readouterr().out
    assert "riser-1  link-narrow (warning)" in out
    assert "trained at x2, declared x4" in out


def test_something_unverified_is_2(tmp_path: Path, build: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--from", record(tmp_path, refuse), "--build", build]) == 2
    assert capsys.readouterr().out.startswith("tern-2: UNVERIFIED - 1 unverified\n")


def test_a_difference_outweighs_what_is_unverified(tmp_path: Path, build: str) -> None:
    def both(box: SimulatedBox) -> None:
        narrow(box)
        refuse(box)

    assert main(["audit", "--from", record(tmp_path, both), "--build", build]) == 1


def test_an_accepted_difference_is_0(tmp_path: Path, build: str, capsys: pytest.CaptureFixture[str]) -> None:
    accepted = Path(build)
    accepted.write_text(BUILD + '[[accept]]\nrule = "link-narrow"\nbecause = "spare cable on order"\n')
    assert main(["audit", "--from", record(tmp_path, narrow), "--build", build]) == 0
    assert "(because spare cable on order)" in " ".join(capsys.readouterr().out.split())


def test_the_last_frame_is_judged(tmp_path: Path, build: str) -> None:
    def heal(box: SimulatedBox) -> None:
        box.ports[0].wired_lanes = None

    assert main(["audit", "--from", record(tmp_path, narrow, heal), "--build", build]) == 0
    assert main(["audit", "--from", record(tmp_path, lambda _: None, narrow), "--build", build]) == 1


def test_without_a_declaration_what_needs_none_is_judged_and_draft_offered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["audit", "--from", record(tmp_path, narrow)]) == 1
    out = capsys.readouterr().out
    assert "link-narrow" in out
    assert out.rstrip().endswith("/etc/laneproof/build.toml.")
    assert "laneproof draft" in out


def test_the_installed_declaration_is_taken_where_none_is_named(
    tmp_path: Path, build: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", build)
    main(["audit", "--from", record(tmp_path)])
    assert "laneproof draft" not in capsys.readouterr().out


def test_the_demo_takes_another_declaration_where_one_is_named(build: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--demo", "--build", build]) == 1
    assert capsys.readouterr().out.startswith("tern-2: DIFFERS")


def test_the_demos_json_keeps_to_the_exported_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", "audit"]) == 0
    schema = json.loads(capsys.readouterr().out)
    Draft202012Validator.check_schema(schema)
    assert main(["audit", "--demo", "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert list(Draft202012Validator(schema, format_checker=FormatChecker()).iter_errors(report)) == []
    assert report["verdict"] == "differs"
    assert {finding["rule"] for finding in report["findings"]} >= {"link-slow", "link-narrow", "power-setting-differs"}


def test_one_pass_says_since_when_of_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "--demo", "--json"])
    assert {finding["since"] for finding in json.loads(capsys.readouterr().out)["findings"]} == {None}


def test_the_demo_fits_80_columns_and_shows_each_position(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "--demo"])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    for label in ("riser-1", "riser-2", "riser-3", "riser-4", "deck-1", "deck-2", "deck-3", "wireless"):
        assert f" {label} " in out


def test_this_machine_can_be_looked_at_whatever_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["audit", "--json"])
    report = json.loads(capsys.readouterr().out)
    assert status == {"holds": 0, "differs": 1, "unverified": 2}[report["verdict"]]
