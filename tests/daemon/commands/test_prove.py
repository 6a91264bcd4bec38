"""laneproof prove: the plan before, the verdict as the exit status, and refusals with one clear line."""

import dataclasses
import json
import os
import re
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from boxes.proven_box import RISER_1, kelp, run_box
from laneproof.cli import main
from laneproof.commands import prove
from laneproof.commands.errors import CommandError
from laneproof.outputs.prove_json import prove_schema
from laneproof.past.notes import AFTER_RUN_SECONDS
from laneproof.proof.plan_execution import WroteError
from laneproof.proof.run_record import StageName
from laneproof.service.owner_notes import Inbox, find_proofs
from laneproof.service.run_lock import FILE, hold_lock
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread

Captured = pytest.CaptureFixture[str]


def test_the_demo_shows_the_plan_and_then_the_cable_that_fails(capsys: Captured) -> None:
    assert main(["prove", "--demo", "--quick"]) == 1
    said = capsys.readouterr().out
    assert said.index("Nothing is written to any drive") < said.index("alone:") < said.index("kelp-1: DIFFERS")
    assert "riser-3  through passive-split, flexible-cable green tape" in said
    assert max(map(len, said[said.index("kelp-1: DIFFERS") :].splitlines())) <= 80


def test_json_is_all_that_goes_to_standard_output(capsys: Captured, tmp_path: Path) -> None:
    file = tmp_path / "before.json"
    assert main(["prove", "--demo", "--only", "riser-1", "--json", "-o", str(file)]) == 0
    captured = capsys.readouterr()
    report = json.loads(captured.out)
    jsonschema.validate(report, prove_schema())
    assert re.findall(r"alone: (\d+) s left; riser-1", captured.err) == ["66", "36", "6"]  # a line each half minute
    assert json.loads(file.read_text()) == report


@pytest.mark.parametrize("words", [["--quick"], ["--stages", "rest,alone,small,together,wake"]])
def test_a_run_that_leaves_a_stage_out_proves_no_box(capsys: Captured, words: list[str]) -> None:
    assert main(["prove", "--demo", "--only", "riser-1", *words]) == 2
    said = capsys.readouterr().out
    assert "kelp-1: UNVERIFIED - 1 holds of 1 position\n  what these stages show, which are left out: heat" in said


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--stages", "rest,loud"], 64, "stages are rest, alone"),
        (["--rate", "fast"], 64, "is no rate"),
        (["--only", "riser-9"], 64, "no drive in a position called 'riser-9'"),
        (["--quick", "--thorough"], 64, "not allowed with"),
    ],
)
def test_wrong_words_are_refused(capsys: Captured, words: list[str], status: int, said: str) -> None:
    try:
        ended: object = main(["prove", "--demo", *words])
    except SystemExit as stopped:  # the parser's own
        ended = stopped.code
    assert ended == status
    assert said in capsys.readouterr().err


class _Host:
    def __init__(self, **_: Any) -> None:
        pass

    def close(self) -> None:
        pass


def on_machine(monkeypatch: pytest.MonkeyPatch, snapshot: Snapshot, **answers: Any) -> None:
    known: dict[str, object] = {
        "load_build": lambda _: kelp().build,
        "find_program": lambda name: f"/usr/bin/{name}",
        "LiveHost": _Host,
        "open_host": lambda _: nullcontext(),
        "read_snapshot": lambda _: snapshot,
        "read_hypervisor": lambda _: False,
    } | answers
    for name, answer in known.items():
        monkeypatch.setattr(prove, name, answer)
    monkeypatch.setattr(os, "access", lambda *_: True)


def test_a_report_that_could_not_be_written_is_refused_before_anything_is_loaded(
    capsys: Captured, tmp_path: Path
) -> None:
    assert main(["prove", "--demo", "--quick", "-o", str(tmp_path / "none" / "run.json")]) == 73
    captured = capsys.readouterr()
    assert (captured.out, captured.err.count("\n")) == ("", 1)
    assert "run.json: cannot be written: no such folder" in captured.err


def test_a_run_that_cannot_be_kept_is_shown_and_written_all_the_same(
    monkeypatch: pytest.MonkeyPatch, capsys: Captured, tmp_path: Path
) -> None:
    def fail(*_: object) -> bool:
        raise CommandError("notes.jsonl: cannot be written: no space left on device", status=73)

    done = run_box(stages=(StageName.REST,), only=RISER_1)
    monkeypatch.setattr(prove, "_prove", lambda *_: done)
    monkeypatch.setattr(prove, "keep_run", fail)
    assert main(["prove", "-o", str(tmp_path / "run.json")]) == 73
    captured = capsys.readouterr()
    assert "kelp-1: UNVERIFIED" in captured.out
    assert "no space left" in captured.err
    assert json.loads((tmp_path / "run.json").read_text())["verdict"] == "unverified"


def test_a_run_that_fails_leaves_the_daemon_waiting_for_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: Captured, tmp_path: Path
) -> None:
    def fail(*_: object) -> None:
        raise WroteError("the load on riser-1 wrote 512 bytes")

    on_machine(monkeypatch, kelp().snapshot, run_plan=fail, LiveProofMachine=lambda *_, **__: None,
               stop_on_signals=lambda _: nullcontext())  # fmt: skip
    assert main(["prove", "--thorough", "--state", str(tmp_path)]) == 70
    assert "wrote 512 bytes" in capsys.readouterr().err
    began, failed = find_proofs(Inbox(tmp_path).read() or ())
    assert (began.until or 0.0) > began.at + 3600.0
    assert failed.until == failed.at + AFTER_RUN_SECONDS
    assert not (tmp_path / FILE).exists()


def test_a_second_run_at_the_same_time_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: Captured, tmp_path: Path
) -> None:
    on_machine(monkeypatch, kelp().snapshot, LiveProofMachine=lambda *_, **__: None)
    with hold_lock(tmp_path):
        assert main(["prove", "--state", str(tmp_path)]) == 75
    assert "another run goes on" in capsys.readouterr().err
    assert not Inbox(tmp_path).read()


def test_without_fio_nothing_begins(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    on_machine(monkeypatch, kelp().snapshot, find_program=lambda name: Unread(name, "not installed", Reason.ABSENT))
    assert main(["prove"]) == 69
    assert "fio is not installed, and it makes the load; install the package fio" in capsys.readouterr().err


def test_a_box_whose_array_is_degraded_is_refused_with_the_reason(
    monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.arrays, Unread)
    array = dataclasses.replace(snapshot.arrays[0], degraded=1)
    on_machine(monkeypatch, dataclasses.replace(snapshot, arrays=(array,)))
    assert main(["prove"]) == 1
    said = capsys.readouterr().err
    assert "array md0 lacks 1 of its members" in said
    assert "nothing was loaded; --although REASON" in said
