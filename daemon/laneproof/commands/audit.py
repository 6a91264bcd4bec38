"""``laneproof audit``: one pass over the machine, held against its declaration."""

import argparse
from dataclasses import replace

from laneproof.commands.inputs import load_build, open_host
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.engine import Engine
from laneproof.findings import verdict
from laneproof_collectors.collection import read_snapshot

_STATUS = {"holds": 0, "differs": 1, "unverified": 2}


def run(arguments: argparse.Namespace) -> int:
    """Read, judge, print; the exit status is the verdict."""
    build = load_build(arguments.build, demo=arguments.demo)
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    # One pass has no history, so nothing can say since when.
    findings = tuple(replace(finding, since=None) for finding in Engine(build).observe(snapshot).findings)
    if arguments.json:
        from laneproof.outputs.audit_json import as_json

        show_json(as_json(build, snapshot, findings))
    else:
        from laneproof.outputs.audit_text import write_audit

        show(write_audit(build, snapshot, findings, find_style(arguments.width)))
    return _STATUS[verdict(findings, declared=build is not None)]
