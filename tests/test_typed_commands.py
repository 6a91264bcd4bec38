"""Each command that the docs show is typed as it stands there, at a machine that is kelp-1, and works.

The machine is the demo's recording in the place of this one, with the demo's declaration in force and its history kept.
What needs a real service, a root's shell or more than a test may take is named below, with where else it is tried.
"""

import contextlib
import re
import shlex
import time
from importlib import resources
from pathlib import Path

import pytest

from boxes.recorded_box import PassingTime
from laneproof.cli import main
from laneproof.commands import history_file, inputs
from laneproof.commands.inputs import DEFAULT_BUILD, open_recording
from laneproof.commands.recorded_passes import judge_frames, keep_frame
from laneproof.engine import STATE_NAME, Engine
from laneproof.history.store import Store

ROOT = Path(__file__).resolve().parents[1]
PAGES = ("README.md", *(f"docs/{page.name}" for page in sorted((ROOT / "docs").glob("*.md"))))
SHOWN = re.compile(r"^ {4}((?:sudo )?(?:laneproof|sh|systemctl|journalctl|apt-get) .*)$", re.MULTILINE)
ELSEWHERE = {
    "laneproof serve": "tests/daemon/commands/test_serve.py, which can end it",
    "laneproof prove": "tests/daemon/commands/test_prove.py, with a load that loads nothing",
    "laneproof replace riser-4 --was": "tests/daemon/commands/test_replace.py, where another drive comes",
    "laneproof notify": "tests/daemon/commands/test_notify.py, with settings of its own",
    "laneproof work": "tests/daemon/commands/test_work.py, likewise",
    "laneproof setup": "tests/daemon/commands/test_setup.py and tests/vm/test_installed.py, with a systemctl",
    "sh packaging/fleet/": "tests/services/test_fleet.py, with an ssh that reaches folders",
    "sh packaging/": "tests/services/test_install.py and test_package.py; run.sh and test.sh run the tests",
    "systemctl ": "tests/vm/test_service_unit.py",
    "journalctl ": "tests/vm/test_service_unit.py",
    "apt-get install ": "tests/vm/test_installed.py, by dpkg",
}
FIRST = ("laneproof draft -o build.toml",)
"""What other pages take for granted is typed first."""


def shown() -> list[str]:
    """List the commands that can be typed here, each once, in the order of the pages."""
    lines = [line for page in PAGES for line in SHOWN.findall((ROOT / page).read_text("utf-8"))]
    # A second pair of spaces, or a #, begins what is said about the command.
    commands = [re.split(r" {2,}| #", line)[0].removeprefix("sudo ") for line in lines]
    typed = [command for command in commands if not command.startswith(tuple(ELSEWHERE))]
    return list(dict.fromkeys([*FIRST, *typed]))


def open_machine() -> PassingTime:
    """Give kelp-1 at its last frame."""
    with open_recording(None, demo=True) as recording:
        host = PassingTime(recording.header, recording.frames)
        while host.advance():
            pass
        return host


@pytest.fixture
def box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Let this machine be kelp-1: its declaration in force, its history kept as the daemon keeps it."""
    build, settings = tmp_path / "etc/build.toml", tmp_path / "etc/service.toml"
    build.parent.mkdir()
    build.write_text(resources.files("laneproof.demo").joinpath(inputs.DEMO_BUILD).read_text("utf-8"))
    settings.write_text(f'state = "{tmp_path}"\n')
    with (
        contextlib.closing(Store.open(str(tmp_path / history_file.HISTORY))) as store,
        open_recording(None, demo=True) as kept,
    ):
        engine = Engine(inputs.load_build(str(build)))
        for frame in judge_frames(kept.host(), engine, kept.name):
            keep_frame(frame, store)
        store.save_state(STATE_NAME, engine.as_state())
    monkeypatch.setattr(inputs, "DEFAULT_BUILD", str(build))
    monkeypatch.setattr(history_file, "DEFAULT_SETTINGS", str(settings))
    monkeypatch.setattr(time, "sleep", lambda _seconds: None)
    monkeypatch.setattr(inputs, "LiveHost", open_machine)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def type_in(command: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Type a command as a shell takes it, to a file where it says so; give its status and what went wrong."""
    command, _, file = command.replace(DEFAULT_BUILD, inputs.DEFAULT_BUILD).partition(" >")
    status = main(shlex.split(command)[1:])
    said = capsys.readouterr()
    if file:
        Path(file).write_text(said.out)
    return status, said.err


@pytest.mark.usefixtures("box")
def test_each_command_in_the_docs_works_as_it_stands_there(capsys: pytest.CaptureFixture[str]) -> None:
    answers = [(command, *type_in(command, capsys)) for command in shown()]
    assert [answer for answer in answers if answer[1] not in (0, 1, 2) or answer[2]] == []
    assert len(answers) > 20
