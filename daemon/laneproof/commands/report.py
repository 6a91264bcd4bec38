"""``laneproof audit --html FILE``: the audit with its evidence and all that happened, as one file."""

import argparse
import os
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress

from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.commands.box_past import BoxPast, open_past
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, now_by_clock, open_host
from laneproof.commands.terminal import show
from laneproof.commands.this_machine import judge_now
from laneproof.commands.trend import find_subject, read_trend
from laneproof.commands.whole_file import write_whole
from laneproof.declaration.build import Build
from laneproof.findings import Finding, verdict
from laneproof.history.store import Store
from laneproof.outputs.page.report import ReportFacts, hide_serials, write_report
from laneproof.outputs.time_columns import choose_grid
from laneproof.outputs.trend import Trend
from laneproof.outputs.watch_gaps import find_unwatched, say_watched
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot

DEFAULT_SECONDS = 90 * 86400.0
_COLUMNS = 60


def write_report_file(arguments: argparse.Namespace) -> str:
    """Write the report; gives the verdict."""
    with _open_past(arguments) as past:
        build, snapshot, findings = _judge(arguments, past)
        since = past.since(arguments.since, DEFAULT_SECONDS)
        happened = past.read_happenings(since)
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
        )
    text = write_report(facts)
    if arguments.hide_serials:
        shown = make_inventory(build, snapshot).positions
        text = hide_serials(text, serials | {position.occupant.serial or "" for position in shown if position.occupant})
    write_whole(arguments.html, text)
    show(f"written: {arguments.html}\n")
    return verdict(findings, declared=build is not None)


@contextmanager
def _open_past(arguments: argparse.Namespace) -> Iterator[BoxPast]:
    """Open what was kept; where no service ever ran, an empty past."""
    with ExitStack() as opened:
        try:
            past = opened.enter_context(open_past(arguments))
        except CommandError as error:
            if error.status != os.EX_NOINPUT or arguments.state or arguments.source:
                raise
            store = opened.enter_context(closing(Store.open(":memory:")))
            past = BoxPast(history=store, build=load_build(arguments.build), begins=None, now=now_by_clock())
        yield past


def _judge(arguments: argparse.Namespace, past: BoxPast) -> tuple[Build | None, Snapshot, tuple[Finding, ...]]:
    """Give what stands: of this machine as it is now, of a recording as its last frame left it."""
    if not arguments.source and not arguments.demo:
        now = judge_now(arguments)
        return now.build, now.snapshot, now.findings
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
    return past.build, snapshot, past.history.load_standing()


def _read_trends(past: BoxPast, findings: tuple[Finding, ...], since: float) -> dict[str, Trend]:
    grid = choose_grid(since, past.now, _COLUMNS)
    trends = {}
    for label in dict.fromkeys(finding.position for finding in findings if finding.position):
        with suppress(CommandError):  # nothing was kept of it
            trends[label] = read_trend(find_subject(label, past), past, grid)
    return trends
