"""``laneproof audit --html FILE``: the audit with its evidence and all that happened, as one file."""

import argparse

from laneproof import __version__
from laneproof.box.inventory import make_inventory
from laneproof.commands.box_past import BoxPast, open_past
from laneproof.commands.inputs import open_host
from laneproof.commands.pictures import write_picture
from laneproof.commands.terminal import show
from laneproof.commands.this_machine import judge_now
from laneproof.commands.trend import find_subject, read_trend
from laneproof.findings import Finding, verdict
from laneproof.outputs.episodes_text import list_episodes
from laneproof.outputs.events_text import gather
from laneproof.outputs.page.report import ReportFacts, hide_serials, write_report
from laneproof.outputs.time_columns import choose_grid
from laneproof.outputs.trend import Trend
from laneproof.outputs.watch_gaps import find_unwatched, say_watched
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot

DEFAULT_SECONDS = 90 * 86400.0
_COLUMNS = 60


def write_report_file(arguments: argparse.Namespace) -> str:
    """Write the report.

    Args:
        arguments: As `open_past` takes them, with `html`, `hide_serials` and `since`.

    Returns:
        The verdict.
    """
    with open_past(arguments) as past:
        snapshot, findings = _judge(arguments, past)
        since, build = past.since(arguments.since, DEFAULT_SECONDS), past.build
        happened = gather(
            past.history.read_events(since=since, until=past.now),
            past.history.read_finding_changes(since=since, until=past.now),
            past.history.read_notes(since=since),
            past.labels,
            list_episodes(past.ledger, past.labels, since=since, until=past.now) if past.ledger else (),
        )
        serials = {drive for _, drive, _ in past.history.read_origins()} | {event.drive for event in happened}
        watched = say_watched(find_unwatched(past.history.read_watches(), since, past.now), since, past.now)
        facts = ReportFacts(
            build=build,
            snapshot=snapshot,
            findings=findings,
            trends=_read_trends(past, findings, since),
            happened=happened,
            since=since,
            watched=watched,
            version=__version__,
        )
    text = write_report(facts)
    if arguments.hide_serials:
        shown = make_inventory(build, snapshot).positions
        text = hide_serials(text, serials | {each.occupant.serial or "" for each in shown if each.occupant})
    write_picture(text, arguments.html)
    show(f"written: {arguments.html}\n")
    return verdict(findings, declared=build is not None)


def _judge(arguments: argparse.Namespace, past: BoxPast) -> tuple[Snapshot, tuple[Finding, ...]]:
    """Give what stands: of this machine as it is now, of a recording as its last frame left it."""
    if not arguments.source and not arguments.demo:
        now = judge_now(arguments)
        return now.snapshot, now.findings
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    return snapshot, past.history.load_standing()


def _read_trends(past: BoxPast, findings: tuple[Finding, ...], since: float) -> dict[str, Trend]:
    grid = choose_grid(since, past.now, _COLUMNS)
    labels = dict.fromkeys(finding.position for finding in findings if finding.position)
    return {label: read_trend(find_subject(label, past), past, grid) for label in labels}
