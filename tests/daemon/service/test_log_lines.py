"""Lines on standard error, for a person and for the journal."""

import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest

from laneproof.service.log_lines import NOTICE, LineFormatter, write_lines

_LOG = """
import logging, os, sys
stream = os.fstat(2)
if sys.argv[1] == "journal":
    os.environ["JOURNAL_STREAM"] = f"{stream.st_dev}:{stream.st_ino}"
from laneproof.service.log_lines import LineFormatter
handler = logging.StreamHandler()
handler.setFormatter(LineFormatter(shows_tracebacks=False))
logging.basicConfig(handlers=[handler])
logging.warning("two\\nlines")
"""


@pytest.mark.parametrize(
    ("level", "priority"),  # syslog(3)
    [
        (logging.CRITICAL, 2),
        (logging.ERROR, 3),
        (logging.WARNING, 4),
        (NOTICE, 5),
        (logging.INFO, 6),
        (logging.DEBUG, 7),
    ],
)
def test_each_level_has_the_priority_of_its_name(level: int, priority: int) -> None:
    assert write_lines("one\nother", level) == f"<{priority}>one\n<{priority}>other"


@pytest.mark.parametrize(
    ("target", "text"),
    [("journal", "<4>laneproof: two\n<4>lines\n"), ("terminal", "laneproof: two\nlines\n")],
)
def test_only_the_journal_is_given_priorities(tmp_path: Path, target: str, text: str) -> None:
    log = tmp_path / "log"
    environment = {name: value for name, value in os.environ.items() if name != "JOURNAL_STREAM"}
    with log.open("wb") as stream:
        subprocess.run([sys.executable, "-c", _LOG, target], stderr=stream, env=environment, check=True)
    assert log.read_text() == text


@pytest.mark.parametrize(("shows", "traceback"), [(True, True), (False, False)])
def test_a_fault_is_one_line_but_for_who_mends_the_program(*, shows: bool, traceback: bool) -> None:
    with pytest.raises(ValueError, match="so") as caught:
        int("so\nit is")
    fault = (caught.type, caught.value, caught.tb)
    text = LineFormatter(shows_tracebacks=shows).format(logging.LogRecord("x", 40, __file__, 1, "failed", None, fault))
    assert ("Traceback" in text) == traceback
    assert traceback or "ValueError: invalid literal" in text.splitlines()[1]


def test_no_line_steers_the_terminal_that_shows_it() -> None:
    record = logging.LogRecord("x", logging.WARNING, __file__, 1, "%s", ("a\x1b[2Jb\u202e\x9b\nc",), None)
    assert LineFormatter(shows_tracebacks=False).format(record) == "laneproof: a?[2Jb??\nc"
