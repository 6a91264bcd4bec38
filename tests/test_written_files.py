"""Every file that the product writes: none is written through a symbolic link that lies in its place.

Source: open(2), O_NOFOLLOW, and O_EXCL, with which symbolic links are not followed.
"""

import ast
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import pytest

from laneproof.cli import main
from laneproof.history.store import Store
from laneproof.line_inbox import leave_line
from laneproof.notification.state_folder import NotifierState, StateFolder
from laneproof.service.evidence_ring import EvidenceRing
from laneproof.service.run_lock import hold_lock

ROOT = Path(__file__).resolve().parents[1]
TEXT = "somebody else's\n"


def run(*arguments: object) -> None:
    main([str(argument) for argument in arguments])


def put_evidence(place: Path) -> None:
    with closing(EvidenceRing(str(place.parent))) as ring:
        ring.put([{"a": 1}], read_at=time.monotonic())


def open_history(place: Path) -> None:
    Store.open(str(place.parent / "history.db")).close()


def hold(place: Path) -> None:
    with hold_lock(place.parent):
        pass


Write = Callable[[Path], object]
WRITERS: dict[str, list[tuple[str, Write]]] = {
    "commands/whole_file.py": [
        ("build.toml", lambda place: run("draft", "--demo", "-o", place)),
        ("box.jsonl", lambda place: run("record", place, "--demo")),
        ("lanes.svg", lambda place: run("budget", "--demo", "--picture", place)),
    ],
    "history/database.py": [("history.db", open_history), ("history.db.lock", open_history)],
    "line_inbox.py": [("notes.jsonl", lambda place: leave_line(place, "a note", mode=0o640))],
    "notification/state_folder.py": [
        (name, lambda place: StateFolder(place.parent).save(NotifierState()))
        for name in ("state.json", "state.json.new")
    ],
    "service/evidence_ring.py": [("evidence-000001.jsonl", put_evidence)],
    "service/run_lock.py": [("proof.lock", hold)],
}
ELSEWHERE = {
    "commands/terminal.py",  # /dev/null
    "cli.py",  # likewise
}


@pytest.mark.parametrize(
    ("name", "write"), [pytest.param(*writer, id=writer[0]) for writers in WRITERS.values() for writer in writers]
)
@pytest.mark.parametrize("there", [True, False], ids=["to a file", "to nothing"])
def test_no_file_is_written_through_a_link(tmp_path: Path, name: str, write: Write, there: bool) -> None:
    other = tmp_path / "other"
    if there:
        other.write_text(TEXT)
    place = tmp_path / "folder" / name
    place.parent.mkdir()
    place.symlink_to(other)
    with suppress(OSError):  # refused, or the link itself is replaced
        write(place)
    assert other.exists() == there
    assert not there or other.read_text() == TEXT


MODES = {"w", "wb", "x", "xb", "a", "ab", "r+b"}
NAMES = {"write_text", "write_bytes", "mkstemp", "NamedTemporaryFile", "touch"}
FLAGS = ("O_CREAT", "O_WRONLY", "O_RDWR", "flags")


def writes(node: ast.AST) -> bool:
    """Whether a piece of code is a call that opens a file to write to it."""
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    words = {each.value for each in ast.walk(node) if isinstance(each, ast.Constant)}
    asked = words & MODES or any(flag in ast.unparse(node) for flag in FLAGS)
    return node.func.attr in NAMES or (node.func.attr == "open" and bool(asked))


def test_every_module_that_writes_a_file_is_in_the_table() -> None:
    package = ROOT / "daemon" / "laneproof"
    modules = (*package.rglob("*.py"), *(ROOT / "collectors").rglob("*.py"))
    found = {
        (file.relative_to(package) if file.is_relative_to(package) else file.relative_to(ROOT)).as_posix()
        for file in modules
        if any(map(writes, ast.walk(ast.parse(file.read_text("utf-8")))))
    }
    assert found == WRITERS.keys() | ELSEWHERE
