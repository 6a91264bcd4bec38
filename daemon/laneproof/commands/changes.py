"""``laneproof changes``: what changed in the box between two moments."""

import argparse
import json
import os
import sys

from laneproof.changes import compare
from laneproof.commands.dated_inventories import FIRST, load_frame, load_inventory
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build

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
        print(json.dumps(comparison.as_json(before, after), indent=2))  # noqa: T201 (the output)
    else:
        from laneproof.commands.terminal import find_style
        from laneproof.outputs.changes_text import write_changes

        sys.stdout.write(write_changes(before, after, comparison, find_style()))
    return _STATUS[comparison.verdict]
