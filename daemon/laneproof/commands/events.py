"""``laneproof events``: what happened, by the kernel's log, its device events, and the daemon's own findings."""

import argparse

from laneproof.commands.box_past import open_past
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.outputs.episodes_text import list_episodes
from laneproof.outputs.events_text import as_json, gather, write_events
from laneproof.outputs.watch_gaps import find_unwatched, say_watched

DEFAULT_SECONDS = 7 * 86400.0


def run(arguments: argparse.Namespace) -> int:
    """Read, put in order, print."""
    with open_past(arguments) as past:
        since = past.since(arguments.since, DEFAULT_SECONDS)
        happened = gather(
            past.history.read_events(since=since, until=past.now),
            past.history.read_finding_changes(since=since, until=past.now),
            past.history.read_notes(since=since),
            past.labels,
            () if past.ledger is None else list_episodes(past.ledger, past.labels, since=since, until=past.now),
        )
        unwatched = find_unwatched(past.history.read_watches(), since, past.now)
    if arguments.json:
        answer = as_json(happened, since=since, until=past.now, unwatched=unwatched)
        show_json(answer)
    else:
        watched = say_watched(unwatched, since, past.now)
        show(write_events(happened, find_style(arguments.width), watched))
    return 0
