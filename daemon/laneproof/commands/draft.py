"""``laneproof draft``: a declaration of the machine as it stands, to be corrected by the person who knows it."""

import argparse
import os

from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.inputs import open_host, read_build_text
from laneproof.commands.terminal import pass_on
from laneproof.commands.whole_file import create_new
from laneproof.declaration.file import BuildError
from laneproof.draft.facts import gather_draft
from laneproof.draft.file import write_draft
from laneproof.draft.update import update_build
from laneproof.outputs.audit_json import name_box
from laneproof_collectors.collection import read_snapshot


def run(arguments: argparse.Namespace) -> int:
    """Draft, and print or write it; a file that stands is never overwritten."""
    previous = read_build_text(arguments.update) if arguments.update else None
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    draft = gather_draft(snapshot, box_name=name_box(None, snapshot, otherwise="box"))
    try:
        text = write_draft(draft) if previous is None else update_build(previous, draft, name=arguments.update)
    except BuildError as error:
        raise CommandError(str(error), status=os.EX_DATAERR) from error
    if arguments.output is None:
        pass_on(text)
        return 0
    with (
        file_errors(arguments.output, writing=True),
        create_new(arguments.output, "name another file, or use --update and compare") as out,
    ):
        out.write(text.encode())
    return 0
