"""This machine as it is now, judged with what its daemon knows; or a recording's last frame, by itself."""

import argparse
import logging
import os
from dataclasses import dataclass, replace

from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, open_host
from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.findings import Finding
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedNow:
    """A machine as it is now; `problem` is why the newest declaration is not in force, None where it is."""

    build: Build | None
    problem: str | None
    snapshot: Snapshot
    findings: tuple[Finding, ...]


def make_engine(arguments: argparse.Namespace) -> tuple[Engine, bool]:
    """Make an engine with what the daemon of this machine knows, and say whether that could be read.

    Raises:
        CommandError: The declaration cannot be read, or says what it may not.
    """
    build, is_live = load_build(arguments.build, demo=arguments.demo), not (arguments.source or arguments.demo)
    engine, knows = Engine(build), False
    if is_live:  # only this pays for what reads a history
        from laneproof.commands.history_file import find_history, open_history
        from laneproof.commands.judgement import restore_for_command

        try:
            with open_history(find_history(arguments.state)) as history:
                restore_for_command(engine, history)
                knows = True
        except CommandError as error:
            if error.status != os.EX_NOINPUT:  # where no daemon ever ran, nothing is missing
                _log.warning("judged without what the service knows of earlier passes: %s", error)
    return engine, knows


def judge_now(arguments: argparse.Namespace) -> JudgedNow:
    """Judge this machine with what its daemon knows, or the last frame of a recording by itself.

    Raises:
        CommandError: An input cannot be read, or says what it may not.
    """
    engine, knows = make_engine(arguments)
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    findings = engine.observe(snapshot).findings
    if not knows:
        findings = tuple(replace(finding, since=None) for finding in findings)
    return JudgedNow(build=engine.build, problem=engine.declaration_problem, snapshot=snapshot, findings=findings)
