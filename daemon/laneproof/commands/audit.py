"""``laneproof audit``: one pass over the machine, with what its daemon knows, held against its declaration."""

import argparse
import os

from laneproof.commands.errors import CommandError
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.commands.this_machine import judge_now
from laneproof.findings import verdict

STATUS = {"holds": 0, "differs": 1, "unverified": 2}
"""The exit status by verdict."""


def run(arguments: argparse.Namespace) -> int:
    """Read, judge, print; the exit status is the verdict."""
    if arguments.follow:
        from laneproof.commands.follow import follow

        return STATUS[follow(arguments)]
    if not arguments.html and (arguments.hide_serials or arguments.since):
        raise CommandError("--hide-serials and --since belong to --html FILE", status=os.EX_USAGE)
    if arguments.html:
        from laneproof.commands.report import write_report_file

        return STATUS[write_report_file(arguments)]
    now = judge_now(arguments)
    build, snapshot, findings = now.build, now.snapshot, now.findings
    proven = None
    if not (arguments.source or arguments.demo):  # only this pays for what reads a history
        from laneproof.box.placement import arrange
        from laneproof.commands.kept_runs import find_last_run

        proven = find_last_run(arguments.state, arrange(build, snapshot))
    if arguments.json:
        from laneproof.outputs.audit_json import as_json

        show_json(as_json(build, snapshot, findings, proven))
    else:
        from laneproof.outputs.audit_text import write_audit

        show(write_audit(build, snapshot, findings, find_style(arguments.width), proven))
    return STATUS[verdict(findings, declared=build is not None)]
