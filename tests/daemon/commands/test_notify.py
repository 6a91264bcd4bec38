"""laneproof notify: its settings are checked at the start, addresses are tried, and a case is taken as known."""

import subprocess
import sys
from pathlib import Path

import pytest

from contracts.hand_made import Ended, inside
from laneproof.cli import main
from laneproof.findings import Severity
from laneproof.notification.decisions import OpenCase, Reports
from laneproof.notification.state_folder import NotifierState, StateFolder
from support.receivers import WebServer

CASE = OpenCase(
    number=12, about="riser-3", rules=("link-narrow",), severities={"a": Severity.WARNING}, since=1.0, first_seen=2.0,
    moved_at=3.0,
)  # fmt: skip


def notify(tmp_path: Path, *words: str, urls: str = '["json://127.0.0.1:9/"]') -> Ended:
    return inside("notify", "--config", configure(tmp_path, urls), *words)


def configure(folder: Path, urls: str) -> str:
    (folder / "notify.toml").write_text(f'urls = {urls}\nstate = "{folder}"\n')
    return str(folder / "notify.toml")


def test_each_address_is_tried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hook = WebServer()
    with hook.running() as port:
        good = f"json://127.0.0.1:{port}/"
        ended = notify(tmp_path, "--test", urls=f'["{good}"]')
        assert (ended.status, ended.out) == (0, "1 (json): taken\n")
        config = configure(tmp_path, f'["{good}", "json://127.0.0.1:9/"]')
        assert main(["notify", "--config", config, "--test"]) == 69  # why it was not taken, the log says
    assert "2 (json): not taken" in capsys.readouterr().out
    assert [posted["title"] for posted in hook.posted] == ["laneproof: a test"] * 2


@pytest.mark.parametrize(
    ("urls", "status", "says"),
    [
        ('["nothing://x"]', 78, "urls: number 1 is no address that Apprise knows"),
        ("[]", 78, "line 1: urls is wrong: list should have at least 1 item"),
    ],
)
def test_wrong_addresses_end_it_at_the_start(tmp_path: Path, urls: str, status: int, says: str) -> None:
    ended = notify(tmp_path, urls=urls)
    assert (ended.status, says in ended.err) == (status, True)


@pytest.mark.parametrize(("words", "says"), [(["--config", "none.toml"], ""), ([], "; it says where messages go")])
def test_a_missing_configuration_is_said(monkeypatch: pytest.MonkeyPatch, words: list[str], says: str) -> None:
    monkeypatch.setattr("laneproof.commands.notify.DEFAULT_CONFIG", "none.toml")
    ended = inside("notify", *words)
    assert (ended.status, f"none.toml: no such file{says}" in ended.err) == (66, True)


def test_a_case_is_acknowledged_by_its_number_with_a_reason(tmp_path: Path) -> None:
    folder = StateFolder(tmp_path)
    folder.save(NotifierState(reports=Reports(open=(CASE,))))
    assert notify(tmp_path, "--acknowledge", "12").status == 64
    ended = notify(tmp_path, "--acknowledge", "7", "--because", "x")
    assert ended.status == 64
    assert "no open case has number 7; open: 12 (riser-3)" in ended.err
    assert folder.read_requests() == []
    assert notify(tmp_path, "--acknowledge", "12", "--because", "on order").status == 0
    assert folder.read_requests() == [{"do": "acknowledge", "case": 12, "because": "on order"}]


def test_the_daemon_never_loads_what_sends() -> None:
    """Importing serve and all that it needs brings no library that talks to other machines."""

    code = "import sys, laneproof.commands.serve; print([n for n in sys.modules if n in ('apprise', 'requests')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout == "[]\n"
