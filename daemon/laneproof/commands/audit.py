"""``laneproof audit``: one look at the machine, held against its declaration."""

import argparse
import json
import os
import shutil
import sys
from dataclasses import replace

from laneproof.commands.sources import load_build, open_host
from laneproof.engine import Engine
from laneproof.findings import verdict
from laneproof_collectors.collection import read_snapshot

_STATUS = {"holds": 0, "differs": 1, "unverified": 2}


def run(arguments: argparse.Namespace) -> int:
    """Look, judge, print; the exit status is the verdict."""
    build = load_build(arguments.build, demo=arguments.demo)
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    # One look has no history, so nothing can say since when.
    findings = tuple(replace(one, since=None) for one in Engine(build).observe(snapshot).findings)
    if arguments.json:
        from laneproof.outputs.audit_json import as_json

        print(json.dumps(as_json(build, snapshot, findings), indent=2))  # noqa: T201 (the output)
    else:
        from laneproof.outputs.audit_text import NARROWEST, Style, write_audit

        width = max(arguments.width or shutil.get_terminal_size((80, 24)).columns, NARROWEST)
        encoding = (sys.stdout.encoding or "").lower().replace("-", "")
        style = Style(width=width, colour=_may_colour(), unicode=encoding.startswith("utf"))
        sys.stdout.write(write_audit(build, snapshot, findings, style))
    return _STATUS[verdict(findings)]


def _may_colour() -> bool:
    # NO_COLOR: a convention of command-line programs (no-color.org, from memory).
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
