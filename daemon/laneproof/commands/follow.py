"""``laneproof audit --follow``: the audit, pass after pass: redrawn on a terminal, a line a change elsewhere."""

import argparse
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

from laneproof.commands.inputs import open_host, open_recording
from laneproof.commands.recorded_passes import judge_frames
from laneproof.commands.replay import change_as_text
from laneproof.commands.terminal import find_style, guard, show, write, write_json
from laneproof.commands.this_machine import make_engine
from laneproof.engine import Engine, PassResult
from laneproof.findings import format_time, verdict
from laneproof.outputs.audit_json import as_json
from laneproof.outputs.audit_text import write_audit
from laneproof.outputs.text_style import printable
from laneproof_collectors.collection import assemble, make_collectors, read_fenced
from laneproof_collectors.host import Host

_HOME, _CLEAR_LINE, _CLEAR_BELOW, _CLEAR = "\x1b[H", "\x1b[K", "\x1b[J", "\x1b[2J"
"""What a terminal does: ECMA-48, 8.3.21 CUP, 8.3.41 EL, 8.3.39 ED (from memory)."""


def follow(arguments: argparse.Namespace) -> str:
    """Follow this machine until it is interrupted, or a recording to its end; gives the last verdict."""
    engine, _ = make_engine(arguments)
    is_drawn = not arguments.json and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    said, is_first = "unverified", True
    try:
        for result in _read_passes(engine, arguments):
            said = verdict(result.findings, declared=engine.build is not None)
            if arguments.json:
                if is_first or result.changes:
                    show(write_json(as_json(engine.build, result.snapshot, result.findings)) + "\n")
            elif is_first or is_drawn:
                text = write_audit(engine.build, result.snapshot, result.findings, find_style(arguments.width))
                read_at = f"read {format_time(result.snapshot.taken_at)}; Ctrl-C ends"
                if is_drawn:
                    write(draw(guard(text), read_at, is_first=is_first))
                else:
                    show(text)
            else:
                show("".join(f"{printable(change_as_text(change))}\n" for change in result.changes))
            is_first = False
    except KeyboardInterrupt:
        show("\n")
    return said


def draw(text: str, last_line: str, *, is_first: bool) -> str:
    """Draw a text over the one before, as much of it as the screen holds."""
    room = max(shutil.get_terminal_size().lines - 2, 1)
    lines = text.splitlines()
    if len(lines) > room:
        lines[room - 1 :] = [f"... and {len(lines) - room + 1} lines more"]
    drawn = "".join(f"{line}{_CLEAR_LINE}\n" for line in (*lines, last_line))
    return f"{_CLEAR if is_first else ''}{_HOME}{drawn}{_CLEAR_BELOW}"


def _read_passes(engine: Engine, arguments: argparse.Namespace) -> Iterator[PassResult]:
    if arguments.source or arguments.demo:
        with open_recording(arguments.source, demo=arguments.demo) as recording:
            for frame in judge_frames(recording.host(), engine, recording.name):
                yield frame.result
        return
    with open_host(None) as host:
        yield from watch(engine, host)


def watch(
    engine: Engine, host: Host, *, now: Callable[[], float] = time.monotonic, rest: Callable[[float], None] = time.sleep
) -> Iterator[PassResult]:
    """Read each part of the machine as often as the service would, and judge after each pass, without an end.

    `now` is the clock of the intervals, `rest` waits; both in seconds.
    """
    collectors, facts = make_collectors(), dict[str, Any]()
    due = dict.fromkeys((collector.group for collector in collectors), float("-inf"))
    while True:
        began = now()
        read = [collector for collector in collectors if due[collector.group] <= began]
        for collector in read:
            facts[collector.group] = read_fenced(collector, host)
            due[collector.group] = began + collector.interval_seconds
        snapshot = assemble(facts, host.clock())
        yield engine.observe(snapshot, read_again=frozenset(collector.group for collector in read))
        rest(max(min(due.values()) - now(), 1.0))
