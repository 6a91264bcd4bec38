"""``laneproof budget``: whether a declaration fits together, with no hardware at all."""

import argparse
import os

from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import DEFAULT_BUILD, load_build
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.commands.whole_file import write_whole
from laneproof.desk.check import check_budget

FITS, DOES_NOT_FIT = 0, 1


def run(arguments: argparse.Namespace) -> int:
    """Check, print, and write the picture where one is asked for; the exit status says whether it fits."""
    if arguments.build and arguments.named:
        raise CommandError("name one declaration, as BUILD or with --build", status=os.EX_USAGE)
    build = load_build(arguments.build or arguments.named, demo=arguments.demo)
    if build is None:
        message = f"there is no declaration at {DEFAULT_BUILD}; name one, or try 'laneproof budget --demo'"
        raise CommandError(message, status=os.EX_NOINPUT)
    checked = check_budget(build)
    if arguments.picture is not None:
        from laneproof.outputs.budget_picture import draw_budget

        write_whole(arguments.picture, draw_budget(checked))
    if arguments.json:
        show_json(checked.as_json())
    else:
        from laneproof.outputs.budget_text import write_budget

        show(write_budget(checked, find_style()))
    return FITS if checked.fits else DOES_NOT_FIT
