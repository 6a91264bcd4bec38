"""A run that was killed is told from one that goes on, and from one that ended by itself."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from laneproof.service.run_lock import FILE, hold_lock, is_run_dead

_HOLD = """
import sys, time
from pathlib import Path
from laneproof.service.run_lock import hold_lock
with hold_lock(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(600)
"""


def test_a_run_that_ended_by_itself_leaves_nothing(tmp_path: Path) -> None:
    with hold_lock(tmp_path):
        assert [file.name for file in tmp_path.iterdir()] == [FILE]
        assert not is_run_dead(tmp_path)
    assert not list(tmp_path.iterdir())
    assert not is_run_dead(tmp_path)


def test_a_second_run_is_refused_and_leaves_the_first_its_lock(tmp_path: Path) -> None:
    with hold_lock(tmp_path):
        with pytest.raises(BlockingIOError, match="another run"), hold_lock(tmp_path):
            pass
        assert [file.name for file in tmp_path.iterdir()] == [FILE]
    (tmp_path / FILE).touch()  # as a killed run leaves it
    with hold_lock(tmp_path):
        assert not is_run_dead(tmp_path)


def test_a_killed_run_is_dead_which_is_said_once(tmp_path: Path) -> None:
    """flock(2): the lock goes with the last descriptor of its open file, so with the process, also after SIGKILL."""
    run = subprocess.Popen((sys.executable, "-c", _HOLD, str(tmp_path)), stdout=subprocess.PIPE, text=True)
    assert run.stdout is not None
    with run.stdout as said:
        assert said.readline() == "held\n"
        assert not is_run_dead(tmp_path)
        run.send_signal(signal.SIGKILL)
        run.wait()
    assert is_run_dead(tmp_path)
    assert not is_run_dead(tmp_path)
    with hold_lock(tmp_path):
        assert not is_run_dead(tmp_path)
