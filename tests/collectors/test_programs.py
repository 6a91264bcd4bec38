"""Other programs: asked without our environment, bounded, gone afterwards. The journal's own tests have the rest."""

import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof_collectors import live_host, programs
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.programs import run_program
from laneproof_collectors.questions import Smartctl
from laneproof_collectors.unread import Reason
from support.unread_answers import known, unread

Install = Callable[[str, str], None]


def wait_until(ready: Callable[[], bool]) -> bool:
    """Wait, up to half a minute: how long it takes says how busy the machine is."""
    return any(ready() or threading.Event().wait(0.01) for _ in range(3000))


def _ask(host: LiveHost) -> object:
    (answer,) = host.ask([Smartctl("sda")])
    return answer


def test_smartctl_is_asked_for_all_without_waking_the_drive_and_without_our_environment(
    install: Install, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LD_PRELOAD", "")
    install("smartctl", f'echo "$@" >{tmp_path}/called; env >{tmp_path}/environment; echo "{{}}"; exit 4')
    assert _ask(LiveHost()) == {}  # its status is a field of bits (smartctl(8)): only what it wrote counts
    assert (tmp_path / "called").read_text().split() == ["--json=o", "-x", "-n", "standby", "/dev/sda"]
    names = {line.partition("=")[0] for line in (tmp_path / "environment").read_text().splitlines()}
    assert names <= {"PATH", "LC_ALL", "PWD", "SHLVL", "_"}


@pytest.mark.parametrize(("said", "why"), [("no such option", "no JSON"), ("[]", "no object"), ("", "no JSON")])
def test_what_is_no_answer_of_smartctl_is_unread(install: Install, said: str, why: str) -> None:
    install("smartctl", f"echo '{said}'")
    answer = unread(_ask(LiveHost()))
    assert (answer.what, why in answer.why) == ("smartctl of sda", True)


def test_smartctl_that_is_not_installed_is_absent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(programs, "PATH", "/nowhere")
    answer = unread(_ask(LiveHost()))
    assert (answer.reason, answer.why) == (Reason.ABSENT, "smartctl is not installed")


def test_a_smartctl_that_hangs_is_given_up_and_ended_with_the_host(install: Install, tmp_path: Path) -> None:
    install("smartctl", f"echo $$ >{tmp_path}/new; mv {tmp_path}/new {tmp_path}/pid; exec sleep 60")
    host = LiveHost(deadline_seconds=0.3)
    assert unread(_ask(host)).reason is Reason.TIMED_OUT
    assert wait_until((tmp_path / "pid").exists)
    host.close()
    assert wait_until(lambda: not Path(f"/proc/{(tmp_path / 'pid').read_text().strip()}").exists())


def test_a_smartctl_that_writes_without_end_is_ended(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_host, "FILE_LIMIT_BYTES", 100_000)
    install("smartctl", "exec yes '{}'")
    assert unread(_ask(LiveHost())).detail == "EFBIG"


def test_complaints_without_end_do_not_block(install: Install) -> None:
    install("smartctl", "yes 'a complaint' | head -c 400000 >&2; echo '{}'; exit 3")
    run = known(run_program("smartctl", ["smartctl"], deadline_seconds=60, limit_bytes=1000))
    assert (run.status, json.loads(run.output)) == (3, {})
    assert len(run.complaint) < 400_000
