"""What the owner wrote: left by commands, taken once, kept before it is forgotten, and sorted for the engine."""

import errno
import json
import os
import threading
from pathlib import Path
from typing import Any

import pytest

from boxes.running_daemon import Rig
from boxes.turned_box_host import START
from laneproof.history.notes import KeptNote
from laneproof.service import run_lock
from laneproof.service.owner_notes import FILE, Inbox, find_proofs, sort_notes
from support.waiting import wait_for


def note(text: str, **facts: Any) -> KeptNote:
    return KeptNote(**{"t": 1.0, "kind": "note", "text": text, **facts})


def test_what_is_left_is_taken_once_also_by_an_earlier_versions_command(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    inbox.add(note("shorter cable", path="0000:00/01.1", detail={"position": "riser-1"}))
    inbox.add(note("new fan"))
    (tmp_path / "told.jsonl").write_text('{"t": 1.0, "kind": "note", "text": "dust"}\n')
    assert [left.text for left in inbox.read() or ()] == ["dust", "shorter cable", "new fan"]
    inbox.clear()
    assert inbox.read() == ()
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_stopped_before_it_was_kept_takes_it_again(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path)
    inbox.add(note("first"))
    assert len(inbox.read() or ()) == 1
    inbox.add(note("second"))  # while the first was not kept yet
    assert [note.text for note in Inbox(tmp_path).read() or ()] == ["first"]
    inbox.clear()
    assert [note.text for note in inbox.read() or ()] == ["second"]


def test_a_run_that_was_killed_ends_when_the_daemon_finds_its_lock_free(tmp_path: Path) -> None:
    inbox = Inbox(tmp_path, lambda: 1000.0)
    inbox.add(note("an acceptance run began", kind="proof_began", detail={"until": 40_000.0}))
    with run_lock.hold_lock(tmp_path):
        assert [left.until for left in find_proofs(inbox.read() or ())] == [40_000.0]
        inbox.clear()
    (tmp_path / run_lock.FILE).touch()  # as a killed one leaves it
    assert [left.until for left in find_proofs(inbox.read() or ())] == [1060.0]  # its last errors are still its own
    assert inbox.read() == ()


def test_a_line_that_is_none_is_passed_over(tmp_path: Path) -> None:
    good = json.dumps({"t": 1.0, "kind": "note", "text": "dust"})
    (tmp_path / FILE).write_text(f"not json\n{good}\n{{}}\n[1]\n\n")
    assert [note.text for note in Inbox(tmp_path).read() or ()] == ["dust"]


def test_lines_of_two_commands_do_not_mix(tmp_path: Path) -> None:
    def leave(number: int) -> None:
        for _ in range(40):
            Inbox(tmp_path).add(note(f"{number} " + "x" * 300))

    threads = [threading.Thread(target=leave, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(Inbox(tmp_path).read() or ()) == 160


def test_notes_and_confirmed_causes_are_kept_apart() -> None:
    kept = (
        note("moved drive to riser-2", detail={"position": "riser-1"}),
        note("episode 7 was signal-path", kind="confirmed", t=2.0,
             detail={"episode": 7, "cause": "signal-path", "evidence": {"drops_under_load": True}}),
        note("half an outcome", kind="confirmed", detail={"episode": "seven"}),
    )  # fmt: skip
    notes, confirmed = sort_notes(kept, ("riser-1", "riser-2"))
    assert [(note.what, note.position, note.to) for note in notes] == [("moved", "riser-1", "riser-2")]
    assert [(cause.episode, cause.cause, dict(cause.evidence)) for cause in confirmed] == [
        (7, "signal-path", {"drops_under_load": True})
    ]


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.EIO, errno.ESTALE])
@pytest.mark.parametrize("act", ["rename", "open", "unlink"])
def test_a_folder_that_refuses_is_reported_once_and_ends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, act: str, number: int
) -> None:
    def refuse(*_: object, **__: Any) -> None:
        raise OSError(number, os.strerror(number), "there")

    inbox = Inbox(tmp_path)
    inbox.add(note("new fan"))
    with monkeypatch.context() as refusing:
        refusing.setattr(Path, act, refuse)
        for _ in range(3):
            if inbox.read() is not None:
                inbox.clear()
    assert [record.getMessage() for record in caplog.records] == [
        f"the owner's notes cannot be taken: there: {os.strerror(number).lower()}"
    ]
    assert [left.text for left in inbox.read() or ()] == ["new fan"]


def test_what_the_owner_says_is_kept_and_taken_in(rig: Rig, tmp_path: Path) -> None:
    rig.start()
    rig.passes()
    note = KeptNote(
        t=START + 5.0, kind="note", text="shorter cable", path="0000:00/01.1", detail={"position": "riser-1"}
    )
    Inbox(tmp_path).add(note)
    wait_for(lambda: rig.writer.notes == [note])
    wait_for(lambda: rig.daemon._engine.past.notes != ())
    assert rig.daemon._engine.past.notes[0].what == "adapter"
    assert [file.name for file in tmp_path.iterdir()] == ["build.toml"]
