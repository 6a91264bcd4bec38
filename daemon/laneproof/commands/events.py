"""``laneproof events``: what happened, by the kernel's log, its device events, and the daemon's own findings."""

import argparse

from laneproof.commands.box_past import open_past
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.outputs.events_text import as_json, write_events
from laneproof.outputs.watch_gaps import find_unwatched, say_watched

DEFAULT_SECONDS = 7 * 86400.0


def run(arguments: argparse.Namespace) -> int:
    """Read, put in order, print."""
    with open_past(arguments) as past:
        since = past.since(arguments.since, DEFAULT_SECONDS)
        happened = past.read_happenings(since)
        unwatched = find_unwatched(past.history.read_watches(), since, past.now)
    if arguments.json:
        answer = as_json(happened, since=since, until=past.now, unwatched=unwatched)
        show_json(answer)
    else:
        watched = say_watched(unwatched, since, past.now)
        show(write_events(happened, find_style(arguments.width), watched))
    return 0
