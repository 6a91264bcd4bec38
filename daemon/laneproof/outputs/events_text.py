"""What happened, as text and JSON: events, what became of findings, and the owner's notes in one order of time.

Rules of this module: times are UTC; what a device or the kernel wrote is shown without what would steer the terminal.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

from laneproof.findings import Change, FindingChange, format_time
from laneproof.history.events import BOOTED, CHANGED, CLOCK_STEPPED, RECORDS_LOST, Event
from laneproof.history.notes import CONFIRMED, NOTE, PROOF, KeptNote
from laneproof.outputs.text_style import Style
from laneproof.outputs.watch_gaps import Gap, gaps_as_json

SCHEMA = 1
_ABOUT, _KIND = 14, 19  # columns, where there is room for them
_ONE_LINE_FROM = 100
_RUN_SECONDS = 3600.0  # as episodes are told apart
_LASTING_SECONDS = 60.0  # what lasted less needs no end
_REPEATS_SECONDS = 2 * 86400.0
REPEATS = 4
"""So many changes of one finding, each so soon after the one before, are shown as one. Our choice: raised and cleared
twice, with less than two days between."""
EPISODE = "episode"
"""Kind of a disconnect or reset as a whole, see `episodes_text`."""
_OF_FINDINGS = frozenset(f"finding_{change}" for change in Change)
_EACH = frozenset({BOOTED, CLOCK_STEPPED, CHANGED, RECORDS_LOST, EPISODE, NOTE, CONFIRMED}) | _OF_FINDINGS
"""Kinds of which each is shown: the daemon's own and the owner's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened, wherever it was kept; times are unix seconds.

    `path` is the position's, `drive` a serial number, `device` the name that it had then; `count` is how many of the
    same it stands for, of which the last was at `last_t`.
    """

    t: float
    kind: str
    text: str
    position: str | None = None
    path: str = ""
    drive: str = ""
    device: str = ""
    count: int = 1
    last_t: float | None = None
    boot_id: str | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


def gather(
    events: Iterable[Event],
    changes: Iterable[FindingChange],
    notes: Iterable[KeptNote],
    labels: Mapping[str, str],
    episodes: Iterable[Happening] = (),
) -> list[Happening]:
    """Put all that happened in one order; `labels` by path, `episodes` as `episodes_text.list_episodes` gives them."""
    found = [*episodes]
    found += [
        Happening(
            t=event.t,
            kind=event.kind,
            text=_by_label(event, labels),
            position=labels.get(event.path),
            path=event.path,
            drive=event.drive,
            device=event.device,
            count=event.count,
            last_t=event.last_t,
            boot_id=event.boot_id,
            detail=event.detail,
        )
        for event in events
    ]
    found += [_of_finding(change) for change in changes]
    found += [
        Happening(
            t=note.t, kind=note.kind, text=note.text, position=note.detail.get("position") or labels.get(note.path),
            path=note.path, drive=note.drive, detail={} if note.kind == PROOF else note.detail,
        )
        for note in notes
    ]  # fmt: skip
    return sorted(found, key=lambda happening: happening.t)


def _by_label(event: Event, labels: Mapping[str, str]) -> str:
    """Begin what is said of a path with its label, where it has one."""
    label = labels.get(event.path)
    return (
        f"{label}{event.text.removeprefix(event.path)}" if label and event.text.startswith(event.path) else event.text
    )


def _of_finding(change: FindingChange) -> Happening:
    finding = change.finding
    return Happening(
        t=change.at,
        kind=f"finding_{change.change}",
        text=f"{finding.rule}: {finding.summary}",
        position=finding.position,
        device=finding.subject,
        detail={"rule": finding.rule, "severity": str(finding.severity)},
    )


def as_json(
    happened: Sequence[Happening], *, since: float | None, until: float, unwatched: Iterable[Gap] = ()
) -> dict[str, Any]:
    """Give what happened as a JSON object, with the stretches in which nobody watched."""
    return {
        "schema": SCHEMA,
        "since": None if since is None else format_time(since),
        "until": format_time(until),
        "unwatched": gaps_as_json(unwatched),
        "events": [happening_as_json(happening) for happening in happened],
    }


def happening_as_json(happening: Happening) -> dict[str, Any]:
    """Give one event or episode as a JSON object."""
    return {
        "t": happening.t,
        "time": format_time(happening.t),
        "kind": happening.kind,
        "position": happening.position,
        "path": happening.path or None,
        "drive": happening.drive or None,
        "device": happening.device or None,
        "text": happening.text,
        "count": happening.count,
        "last_t": happening.last_t if happening.last_t is not None else happening.t,
        "boot_id": happening.boot_id,
        "detail": dict(happening.detail),
    }


def join_runs(happened: Iterable[Happening]) -> list[Happening]:
    """Join what the kernel reported of one position again and again, with less than an hour in between, oldest first.

    A run has the time and the words of its first, and the count of all.
    """
    joined: list[Happening] = []
    runs: dict[tuple[str, str | None, str], int] = {}
    for happening in happened:
        key = (happening.kind, happening.position, happening.path or happening.device)
        number, last_t = runs.get(key), happening.last_t or happening.t
        if number is not None and happening.kind not in _EACH:
            before = joined[number]
            if happening.t - (before.last_t or 0) < _RUN_SECONDS:
                joined[number] = replace(before, count=before.count + happening.count, last_t=last_t)
                continue
        runs[key] = len(joined)
        joined.append(replace(happening, last_t=last_t))
    return joined


def join_repeats(happened: Iterable[Happening]) -> list[Happening]:
    """Join the changes of a finding that is raised and cleared again and again, oldest first.

    A joined one has the time of its first and the words of its last, and says how often it was raised.
    """
    rows: list[list[Happening]] = []
    latest: dict[tuple[str, str], list[Happening]] = {}
    for happening in happened:
        if happening.kind not in _OF_FINDINGS:
            rows.append([happening])
            continue
        key = str(happening.detail.get("rule")), happening.position or happening.device
        row = latest.get(key)
        if row is None or happening.t - row[-1].t > _REPEATS_SECONDS:
            latest[key] = row = []
            rows.append(row)
        row.append(happening)
    joined = (row if len(row) < REPEATS else [_join_repeat(row)] for row in rows)
    return sorted(chain.from_iterable(joined), key=lambda happening: happening.t)


def _join_repeat(row: Sequence[Happening]) -> Happening:
    last = row[-1]
    times = sum(happening.kind == f"finding_{Change.RAISED}" for happening in row)
    ends = "cleared now" if last.kind == f"finding_{Change.CLEARED}" else "it stands"
    return replace(row[0], kind="finding_repeats", text=f"{last.text}; raised {times} times, {ends}", last_t=last.t)


def write_events(happened: Sequence[Happening], style: Style, watched: str = "") -> str:
    """Write when somebody watched, and what happened, oldest first, with a line end."""
    lines = [*style.wrap(watched, rest="")] if watched else []
    if not happened:
        lines += ["Nothing was reported or noticed in that time."]
    for happening in join_repeats(join_runs(happened)):
        lines += _lines(happening, style)
    return "\n".join(lines) + "\n"


def _lines(happening: Happening, style: Style) -> Iterator[str]:
    time = format_time(happening.t)
    about = style.clean(happening.position or happening.device or happening.path or "the box")
    kind = happening.kind.replace("_", " ")
    if happening.count > 1:
        kind += f" {'×' if style.unicode else 'x'}{happening.count}"  # noqa: RUF001 (meant)
    last = happening.t if happening.last_t is None else happening.last_t
    until = "" if last - happening.t < _LASTING_SECONDS else f" (until {format_time(last)})"
    is_cleared = happening.kind == f"finding_{Change.CLEARED}"
    text = str(happening.detail.get("rule", happening.text)) if is_cleared else " ".join(happening.text.split())
    if style.width >= _ONE_LINE_FROM:
        head = f"{time}  {style.cut(about, _ABOUT):<{_ABOUT}}  {style.cut(kind, _KIND):<{_KIND}}  "
        yield from style.wrap((text + until) or "-", head, " " * len(head))
        return
    yield style.cut(f"{time}  {about}  {kind}", style.width)
    yield from style.wrap(text + until, "  ", "  ")
