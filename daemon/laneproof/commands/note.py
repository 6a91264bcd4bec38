"""``laneproof note POSITION TEXT``: keep what the owner did or saw; the daemon adds it at its next pass."""

import argparse
import os
from difflib import get_close_matches
from pathlib import Path

from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.history_file import find_history
from laneproof.commands.inputs import load_build, now_by_clock
from laneproof.commands.terminal import show
from laneproof.history.notes import NOTE, KeptNote
from laneproof.past.notes import parse_note
from laneproof.service.owner_notes import FILE, Inbox

_MEANINGS = {
    "moved": "a drive that moved",
    "adapter": "another adapter or cable: its link's baseline begins again, and a trial with it",
    "cap": "a limit of a link",
    "idle-states": "idle states",
    "cooling": "cooling: a trial begins where there was trouble",
    "taken-out": "a drive that was taken out or put back",
    "other": "nothing in particular; it is kept as it is",
}


def run(arguments: argparse.Namespace) -> int:
    """Keep one note."""
    build = load_build(arguments.build)
    labels = tuple(declared.label for declared in build.position) if build else ()
    position = build.position_named(arguments.position) if build else None
    if position is None and arguments.position not in ("box", "-"):
        near = get_close_matches(arguments.position, labels, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "'box' means the whole box"
        raise CommandError(f"no declared position is called {arguments.position!r}; {hint}", status=os.EX_USAGE)
    text, now = " ".join(arguments.text), now_by_clock()
    label = position.label if position else None
    note = parse_note(text, at=now, position=label, labels=labels)
    kept = KeptNote(t=now, kind=NOTE, text=text, path=position.path if position else "", detail={"position": label})
    if not leave(kept, arguments.state):
        folder = Path(find_history(arguments.state)).parent
        message = f"{folder}: there is no such folder, so no history to keep it in"
        advice = "'laneproof serve' makes one, and --state names another folder"
        raise CommandError(f"{message}; {advice}", status=os.EX_CANTCREAT)
    show(f"kept; taken for {_MEANINGS[note.what]}\n")
    return 0


def leave(note: KeptNote, state: str | None) -> bool:
    """Leave a note for the daemon, beside its history; gives whether there is such a folder to leave it in.

    Raises:
        CommandError: It is not to be written by this user.
    """
    folder = Path(find_history(state)).parent
    if not folder.is_dir():
        return False
    with file_errors(str(folder / FILE), writing=True):
        Inbox(folder).add(note)
    return True
