"""``laneproof trend``: how a position, a drive or another part went over time, or what got worse in the whole box."""

import argparse
import difflib
import os
from collections.abc import Iterable, Iterator
from typing import Any

from laneproof.box.inventory.from_snapshot import label_positions
from laneproof.box.inventory.inventory import Inventory
from laneproof.commands.box_past import BoxPast, open_past
from laneproof.commands.errors import CommandError
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.declaration.build import Build
from laneproof.history.events import Event
from laneproof.history.history import History
from laneproof.history.origins import DRIVE
from laneproof.history.series import Series
from laneproof.outputs.text_style import Style
from laneproof.outputs.time_columns import Grid, choose_grid
from laneproof.outputs.trend import (
    NAMES,
    WORSE_NAMES,
    Subject,
    Trend,
    as_json,
    box_as_json,
    choose_worse,
    make_trend,
)
from laneproof.outputs.trend_text import columns_for, write_box_trend, write_trend
from laneproof.outputs.watch_gaps import find_unwatched, gaps_as_json, say_watched

DEFAULT_SECONDS = 30 * 86400.0


def run(arguments: argparse.Namespace) -> int:
    """Read, arrange, print."""
    style = find_style(arguments.width)
    with open_past(arguments, is_judged=False) as past:
        since = past.since(arguments.since, DEFAULT_SECONDS)
        grid = choose_grid(since, past.now, columns_for(style.width))
        begins = max(since, grid.begins)  # a column may begin before anybody was asked to watch
        answer, text = (
            _ask_box(past, grid, style)
            if arguments.position is None
            else _ask(find_subject(arguments.position, past), past, grid, style)
        )
        unwatched = find_unwatched(past.history.read_watches(), begins, past.now)
    if arguments.json:
        show_json(answer | {"unwatched": gaps_as_json(unwatched)})
    else:
        watched = style.wrap(say_watched(unwatched, begins, past.now), rest="")
        show("\n".join([text.rstrip("\n"), "", *watched, ""]))
    return 0


def _ask(subject: Subject, past: BoxPast, grid: Grid, style: Style) -> tuple[dict[str, Any], str]:
    """Give the trend of one position or part, as JSON and as text."""
    trend = read_trend(subject, past, grid)
    return as_json(trend), write_trend(trend, style)


def read_trend(subject: Subject, past: BoxPast, grid: Grid, events: Iterable[Event] | None = None) -> Trend:
    """Read how one position or part went over time; `events` are all of that time, where they were read already."""
    if events is None:
        events = past.history.read_events(since=grid.begins, until=past.now)
    series = list(_read_series(past.history, subject, since=grid.begins, until=past.now))
    of_it = [
        event
        for event in events
        if event.path in ("", subject.path) or (subject.drive and event.drive == subject.drive)
    ]
    return make_trend(subject, series, of_it, grid)


def _ask_box(past: BoxPast, grid: Grid, style: Style) -> tuple[dict[str, Any], str]:
    """Give what got worse in the whole box, as JSON and as text."""
    listed = _list_subjects(past.build, _latest_inventory(past), past.history)
    subjects = list({subject.path: subject for _, subject in reversed(listed) if subject.path}.values())[::-1]
    series = past.history.read_series(names=WORSE_NAMES, since=grid.begins, until=past.now)
    worse = choose_worse(series, subjects, grid)
    name = past.build.box.name if past.build else "this box"
    return box_as_json(worse, grid), write_box_trend(name, worse, grid, style)


def _latest_inventory(past: BoxPast) -> Inventory | None:
    kept = past.history.read_inventories(since=past.now)
    return label_positions(kept[-1].inventory, past.build) if kept else None


def _read_series(history: History, subject: Subject, *, since: float, until: float) -> Iterator[Series]:
    """Read the path's own history, and the drive's wherever it was."""
    names = (*NAMES, "correctable_errors.*")
    if not subject.drive:
        yield from history.read_series(path=subject.path, names=names, since=since, until=until)
        return
    if subject.path:
        found = history.read_series(path=subject.path, names=names, since=since, until=until)
        yield from (series for series in found if series.end != DRIVE)
    yield from history.read_series(drive=subject.drive, end=DRIVE, names=names, since=since, until=until)


def find_subject(name: str, past: BoxPast) -> Subject:
    """Find what a name stands for: a label, path, serial number, or what the kernel called a drive or part last.

    Raises:
        CommandError: Nothing has that name (64).
    """
    subjects = _list_subjects(past.build, _latest_inventory(past), past.history)
    for names, subject in subjects:
        if name in names:
            return subject
    known = sorted({name for names, _ in subjects for name in names if name})
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]}?" if near else _list_some(known)
    raise CommandError(f"nothing that was kept is called {name!r}{hint}", status=os.EX_USAGE)


def _list_subjects(
    build: Build | None, inventory: Inventory | None, history: History
) -> list[tuple[tuple[str, ...], Subject]]:
    """List what can be asked for, each by all its names: what is there now first, then what was."""
    found: list[tuple[tuple[str, ...], Subject]] = []
    for position in (*inventory.positions, *(inventory.devices or ())) if inventory else ():
        occupant = position.occupant
        serial = occupant.serial or "" if occupant and occupant.drive else ""
        subject = Subject(
            name=position.position or position.path,
            path=position.path,
            drive=serial,
            drive_name=", ".join(filter(None, (occupant.name, occupant.model))) if occupant and occupant.drive else "",
        )
        names = [position.position or "", position.path, serial]
        names += [occupant.name, *occupant.disks] if occupant else []
        found.append((tuple(name for name in names if name), subject))
    found += [
        ((position.label, position.path), Subject(name=position.label, path=position.path))
        for position in (build.position if build else ())
    ]
    for path, drive, end in history.read_origins():
        if drive:
            found.append(((drive,), Subject(name=drive, path="", drive=drive)))
        found.append(((path,), Subject(name=path, path=path)))
        if not drive and end:
            found.append(((end,), Subject(name=end, path=path)))
    return found


def _list_some(known: list[str]) -> str:
    return f"; there is {', '.join(known[:8])}{' and more' if len(known) > 8 else ''}" if known else ""  # noqa: PLR2004 (as above)
