"""Runs are kept by the daemon and found again, in its history and in files."""

import json
import os
import random
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.proven_box import RISER_3, kelp, run_box, sound_run
from contracts.hand_made import inside
from contracts.mutations import spoil_leaf
from laneproof.cli import main
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import HISTORY
from laneproof.commands.kept_runs import announce_run, find_last_run, keep_run, load_run, read_runs
from laneproof.history.store import Store
from laneproof.outputs import audit_json
from laneproof.outputs.audit_text import write_audit
from laneproof.outputs.prove_json import as_json
from laneproof.outputs.text_style import Style
from laneproof.proof.judgement import judge
from laneproof.proof.simulated_machine import Fault
from laneproof.service.owner_notes import Inbox, find_proofs


def keep_in_history(state: Path) -> None:
    """Take what was left, as the daemon does."""
    store = Store.open(str(state / HISTORY))
    inbox = Inbox(state)
    for note in inbox.read() or ():
        store.add_note(note)
    inbox.clear()
    store.close()


def test_a_run_that_was_left_is_in_the_history_afterwards(tmp_path: Path) -> None:
    assert keep_run(str(tmp_path), sound_run(), judge(sound_run()))
    keep_in_history(tmp_path)
    assert read_runs(str(tmp_path)) == (sound_run(),)
    assert load_run("@now", str(tmp_path)) == sound_run()
    with pytest.raises(CommandError, match="no run before") as error:
        load_run("@2020-01-01", str(tmp_path))
    assert error.value.status == 66


def test_the_daemon_learns_that_a_run_began_and_what_it_showed(tmp_path: Path) -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)})
    with announce_run(str(tmp_path), now=run.began_at, seconds=1800.0):
        keep_run(str(tmp_path), run, judge(run))
    began, ended = find_proofs(Inbox(tmp_path).read() or ())
    assert began.until == run.began_at + 1800.0
    assert ended.until is None
    serial, features = ended.features["0000:00/01.3"]
    assert serial == "FP4K-26A-0317"
    assert features["errors_follow_bits"] is True


def test_the_audit_knows_the_last_run_and_whether_anything_changed_since(tmp_path: Path) -> None:
    assert find_last_run(str(tmp_path), kelp()) is None
    run = sound_run().model_copy(update={"parts": {}})
    keep_run(str(tmp_path), run, judge(run))
    keep_in_history(tmp_path)
    last = find_last_run(str(tmp_path), kelp())
    assert last is not None
    assert (last.at, last.verdict) == (run.began_at, "holds")
    assert "riser-3: other parts between" in last.changed_since
    style = Style(width=80)
    said = write_audit(kelp().build, kelp().snapshot, (), style, last)
    assert "Last proven under load on 2026-11-18" in said
    assert "Not proven since: riser-1: other parts between" in " ".join(said.split())
    unchanged = last.model_copy(update={"changed_since": ()})
    assert "no drive, firmware or part is another since" in " ".join(
        write_audit(kelp().build, kelp().snapshot, (), style, unchanged).split()
    )
    report = audit_json.as_json(kelp().build, kelp().snapshot, (), last)
    jsonschema.validate(report, audit_json.audit_schema())
    assert report["proven"]["at"].startswith("2026-11-18")


def test_without_a_daemon_s_folder_nothing_is_kept(tmp_path: Path) -> None:
    assert not keep_run(str(tmp_path / "none"), sound_run(), judge(sound_run()))


@pytest.mark.parametrize(
    ("text", "status", "said"),
    [
        (None, 66, "no such file"),
        ("{", 65, "not a report of 'laneproof prove'"),
        ("[" * 100_000, 65, "not a report of 'laneproof prove'"),
        ('{"run": {"box": "b", "mode": "quick", "seconds": 1, "began_at": NaN}}', 65, "not a report"),
        ('{"run": {"box": "b", "mode": "quick", "seconds": 1, "began_at": 1e300}}', 65, "not a report"),
        ("{}", 65, "it has no run"),
        ('{"run": {"schema": 2}}', 65, "not a report"),
    ],
)
def test_a_file_that_is_no_report_is_refused(tmp_path: Path, text: str | None, status: int, said: str) -> None:
    file = tmp_path / "a.json"
    if text is not None:
        file.write_text(text)
    with pytest.raises(CommandError, match=said) as error:
        load_run(str(file), None)
    assert error.value.status == status


@given(st.integers(0))
def test_any_spoilt_report_is_compared_or_refused(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    chance = random.Random(seed)
    report = json.loads(json.dumps(as_json(sound_run(), judge(sound_run()))))
    (folder := tmp_path_factory.getbasetemp()).joinpath("good").write_text(json.dumps(report))
    for _ in range(chance.choice((1, 1, 2, 5))):
        report["run"] = spoil_leaf(chance, report["run"])
    folder.joinpath("bad").write_text(json.dumps(report))
    ended = inside("prove", "--compare", folder / "bad", folder / "good", lines=None)
    assert (ended.status == os.EX_DATAERR) == bool(ended.err)
    assert ended.status in {0, os.EX_DATAERR}


def test_two_files_are_compared(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad, good = run_box({RISER_3: Fault(errors_per_bit=2e-12)}), sound_run()
    for name, run in (("a", bad), ("b", good)):
        (tmp_path / name).write_text(json.dumps(as_json(run, judge(run))))
    words = ["prove", "--compare", str(tmp_path / "a"), str(tmp_path / "b")]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "riser-3\n  then 7e13 bits with" in said
    assert "As before: riser-1, riser-2" in said
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == 1
