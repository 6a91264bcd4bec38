"""``laneproof replay``: the daemon's whole engine over a recording's frames, at their own times; a line a change."""

import argparse
import os

from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, open_recording
from laneproof.commands.recorded_passes import judge_frames
from laneproof.commands.terminal import write_json
from laneproof.engine import Engine
from laneproof.findings import FindingChange, format_time
from laneproof.outputs.text_style import printable


def run(arguments: argparse.Namespace) -> int:
    """Replay to the end."""
    if arguments.demo == bool(arguments.recording):
        raise CommandError("name one recording, or take --demo", status=os.EX_USAGE)
    build = load_build(arguments.build, demo=arguments.demo) if arguments.build or arguments.demo else None
    engine = Engine(build)
    with open_recording(arguments.recording, demo=arguments.demo) as recording:
        for frame in judge_frames(recording.host(), engine, recording.name, may_be_empty=True):
            for change in frame.result.changes:
                print(_as_json(change) if arguments.json else printable(change_as_text(change)), flush=True)  # noqa: T201 (the output)
    return 0


def _as_json(change: FindingChange) -> str:
    return write_json({"t": change.at, "change": str(change.change), "finding": change.finding.as_json()})


def change_as_text(change: FindingChange) -> str:
    """Write one change as a line."""
    finding = change.finding
    return f"{format_time(change.at)} {change.change:<7} {finding.severity:<8} {finding.rule}: {finding.summary}"
