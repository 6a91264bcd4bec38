"""laneproof notify: its settings are checked at the start, addresses are tried, and a case is taken as known."""

from pathlib import Path

import pytest

from laneproof.cli import main
from laneproof.findings import Severity
from laneproof.notification.decisions import OpenCase, Reports
from laneproof.notification.state_folder import NotifierState, StateFolder
from receivers import WebServer

CASE = OpenCase(
    number=12, about="riser-3", rules=("link-narrow",), severities={"a": Severity.WARNING}, since=1.0, first_seen=2.0,
    moved_at=3.0,
)  # fmt: skip


def notify(tmp_path: Path, *words: str, urls: str = '["json://127.0.0.1:9/"]') -> int:
    config = tmp_path / "notify.toml"
    config.write_text(f'urls = {urls}\nstate = "{tmp_path}"\n')
    return main(["notify", "--config", str(config), *words])


def test_each_address_is_tried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hook = WebServer()
    with hook.running() as port:
        good = f"json://127.0.0.1:{port}/"
        assert notify(tmp_path, "--test", urls=f'["{good}"]') == 0
        assert capsys.readouterr().out == "1 (json): taken\n"
        assert notify(tmp_path, "--test", urls=f'["{good}", "json://127.0.0.1:9/"]') == 69
    assert "2 (json): not taken" in capsys.readouterr().out
    assert [posted["title"] for posted in hook.posted] == ["laneproof: a test"] * 2


@pytest.mark.parametrize(
    ("urls", "status", "says"),
    [
        ('["nothing://x"]', 78, "urls: number 1 is no address that Apprise knows"),
        ("[]", 78, "line 1: urls is wrong: list should have at least 1 item"),
    ],
)
def test_wrong_addresses_end_it_at_the_start(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], urls: str, status: int, says: str
) -> None:
    assert notify(tmp_path, urls=urls) == status
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(("words", "says"), [(["--config", "none.toml"], ""), ([], "; it says where messages go")])
def test_a_missing_configuration_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    monkeypatch.setattr("laneproof.commands.notify.DEFAULT_CONFIG", "none.toml")
    assert main(["notify", *words]) == 66
    assert f"none.toml: no such file{says}" in capsys.readouterr().err


def test_a_case_is_acknowledged_by_its_number_with_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = StateFolder(tmp_path)
    folder.save(NotifierState(reports=Reports(open=(CASE,))))
    assert notify(tmp_path, "--acknowledge", "12") == 64
    assert notify(tmp_path, "--acknowledge", "7", "--because", "x") == 64
    assert "no open case has number 7; open: 12 (riser-3)" in capsys.readouterr().err
    assert folder.read_requests() == []
    assert notify(tmp_path, "--acknowledge", "12", "--because", "on order") == 0
    assert folder.read_requests() == [{"do": "acknowledge", "case": 12, "because": "on order"}]


def test_the_daemon_never_loads_what_sends() -> None:
    """Importing serve and all that it needs brings no library that talks to other machines."""
    import subprocess  # noqa: PLC0415
    import sys  # noqa: PLC0415

    code = "import sys, laneproof.commands.serve; print([n for n in sys.modules if n in ('apprise', 'requests')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout == "[]\n"
