"""``laneproof changes``: what changed in the box between two moments."""

import argparse
import os

from laneproof.changes import compare
from laneproof.commands.dated_inventories import FIRST, load_frame, load_inventory
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build
from laneproof.commands.terminal import find_style, show, show_json

_STATUS = {"same": 0, "changed": 1, "unverified": 2}


def run(arguments: argparse.Namespace) -> int:
    """Compare, and print; the exit status says whether something changed."""
    build = load_build(arguments.build, demo=arguments.demo)
    if arguments.demo and arguments.before is None:
        before, after = load_frame(None, FIRST, build, demo=True), load_frame(None, None, build, demo=True)
    elif arguments.before is None:
        message = "name what to begin with: a recording, an audit's JSON, or a moment such as @30d"
        raise CommandError(message, status=os.EX_USAGE)
    else:
        before = load_inventory(arguments.before, build, arguments.state)
        after = load_inventory(arguments.after, build, arguments.state)
    comparison = compare(before.inventory, after.inventory)
    if arguments.json:
        show_json(comparison.as_json(before, after))
    else:
        from laneproof.outputs.changes_text import write_changes

        show(write_changes(before, after, comparison, find_style()))
    return _STATUS[comparison.verdict]
