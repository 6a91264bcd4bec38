"""This machine is judged with what its daemon knows, and named by the same causes as on its page."""

import contextlib
from argparse import Namespace
from importlib import resources
from pathlib import Path

import pytest

from laneproof.commands import judgement, this_machine
from laneproof.commands.history_file import HISTORY
from laneproof.commands.inputs import load_build, open_recording
from laneproof.commands.recorded_passes import judge_frames, keep_frame
from laneproof.commands.this_machine import judge_now
from laneproof.engine import STATE_NAME, Engine
from laneproof.findings import Finding
from laneproof.history.store import Store
from laneproof_collectors.recorded_host import RecordedHost


def keep_demo(state: Path) -> tuple[RecordedHost, tuple[Finding, ...]]:
    """Let a daemon watch the demo's box; gives the machine as it then stands, and what the daemon's page says."""
    build = load_build(None, demo=True)
    store, engine = Store.open(str(state / HISTORY), hole_seconds=float("inf")), Engine(build)
    with contextlib.closing(store), open_recording(None, demo=True) as recording:
        host = recording.host()
        for frame in judge_frames(host, engine, recording.name):
            keep_frame(frame, store)
            findings = frame.result.findings
        store.save_state(STATE_NAME, engine.as_state())
        store.save_state("declaration", {"text": read_demo("kelp-1.toml"), "path": "/etc/laneproof/build.toml"})
    return host, findings


def read_demo(name: str) -> str:
    return resources.files("laneproof.demo").joinpath(name).read_text()


@pytest.mark.parametrize("declared", [True, False])
def test_one_pass_names_the_causes_that_the_daemons_page_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, declared: bool
) -> None:
    host, on_page = keep_demo(tmp_path)
    build = tmp_path / "build.toml"
    if declared:
        build.write_text(read_demo("kelp-1.toml"))
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(build))
    monkeypatch.setattr(judgement, "DEFAULT_BUILD", str(build))
    monkeypatch.setattr(this_machine, "open_host", lambda *_, **__: contextlib.nullcontext(host))
    now = judge_now(Namespace(source=None, demo=False, build=None, state=str(tmp_path)))
    causes = {finding.identity: (finding.since, finding.causes) for finding in on_page}
    assert any(finding.causes for finding in on_page)
    found = {finding.identity: (finding.since, finding.causes) for finding in now.findings}
    assert {identity: found.get(identity) for identity in causes} == causes
    more = {rule for rule, _ in found.keys() - causes.keys()}
    assert more == (set() if declared else {"declaration-not-in-force"})
    assert now.problem == (None if declared else f"{build} is gone")


def test_a_history_that_cannot_be_used_is_reported_and_the_machine_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / HISTORY).write_bytes(b"no database" * 100)
    (tmp_path / "other").mkdir()
    host, _ = keep_demo(tmp_path / "other")
    monkeypatch.setattr(this_machine, "open_host", lambda *_, **__: contextlib.nullcontext(host))
    arguments = Namespace(source=None, demo=False, build=None, state=str(tmp_path))
    assert judge_now(arguments).snapshot.taken_at > 0
    assert "judged without what the service knows" in caplog.text
    caplog.clear()
    judge_now(Namespace(**vars(arguments) | {"state": str(tmp_path / "none")}))
    assert caplog.text == ""  # where no service ever ran, nothing is missing
