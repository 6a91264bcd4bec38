"""``laneproof draft``: a declaration of the machine as it stands, to be corrected by the person who knows it."""

import argparse
import os
from pathlib import Path

from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import open_host, read_build_text
from laneproof.commands.terminal import pass_on
from laneproof.declaration.file import BuildError
from laneproof.draft.facts import gather_draft
from laneproof.draft.file import write_draft
from laneproof.draft.update import update_build
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


def run(arguments: argparse.Namespace) -> int:
    """Draft, and print or write it; a file that stands is never overwritten."""
    previous = read_build_text(arguments.update) if arguments.update else None
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    draft = gather_draft(snapshot, box_name=find_box_name(snapshot))
    try:
        text = write_draft(draft) if previous is None else update_build(previous, draft, name=arguments.update)
    except BuildError as error:
        raise CommandError(str(error), status=os.EX_DATAERR) from error
    if arguments.output is None:
        pass_on(text)
        return 0
    try:
        with Path(arguments.output).open("x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError as error:
        message = f"{arguments.output}: exists and is left alone; name another file, or use --update and compare"
        raise CommandError(message, status=os.EX_CANTCREAT) from error
    except OSError as error:
        raise CommandError.from_os_error(error, arguments.output, writing=True) from error
    return 0


def find_box_name(snapshot: Snapshot) -> str:
    """Name the box as the machine names itself."""
    firmware = snapshot.firmware
    name = None if isinstance(firmware, Unread) else firmware.host_name
    return name if isinstance(name, str) else "box"
