"""What happened, as text and JSON: events, what became of findings, and the owner's notes in one order of time.

Rules of this module: times are UTC; what a device or the kernel wrote is shown without what would steer the terminal.
"""

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from laneproof.findings import Change, FindingChange, format_time
from laneproof.history.events import BOOTED, CHANGED, CLOCK_STEPPED, RECORDS_LOST, Event
from laneproof.history.notes import CONFIRMED, NOTE, Note
from laneproof.outputs.style import NARROWEST, Style

SCHEMA = 1
_PLACE, _KIND = 14, 19  # columns, where there is room for them
_ONE_LINE_FROM = 100
_RUN_SECONDS = 3600.0  # as episodes are told apart
_LASTING_SECONDS = 60.0  # what lasted less needs no end
EPISODE = "episode"
"""Kind of a disconnect or reset as a whole, see `episodes_text`."""
_EACH = frozenset(
    {BOOTED, CLOCK_STEPPED, CHANGED, RECORDS_LOST, EPISODE, NOTE, CONFIRMED, *(f"finding_{one}" for one in Change)}
)
"""Kinds of which each is told: the daemon's own and the owner's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened, wherever it was kept.

    Attributes:
        t: When, unix seconds.
        kind: What sort of thing.
        text: In words.
        position: The position's label, None where it has none.
        path: The position's path, empty where it has none.
        drive: The serial number of the drive, empty where there is none.
        device: The name that it had then.
        count: How many of the same it stands for.
        last_t: When the last of these was.
        boot_id: The boot, where known.
        detail: Further fields.
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
    notes: Iterable[Note],
    labels: Mapping[str, str],
    episodes: Iterable[Happening] = (),
) -> list[Happening]:
    """Put all that happened in one order.

    Args:
        events: Events.
        changes: What became of findings.
        notes: The owner's notes.
        labels: Label by path, of the declared positions.
        episodes: Disconnects and resets as wholes, from `episodes_text.tell_episodes`.
    """
    found = [*episodes]
    found += [
        Happening(
            t=one.t,
            kind=one.kind,
            text=_by_label(one, labels),
            position=labels.get(one.path),
            path=one.path,
            drive=one.drive,
            device=one.device,
            count=one.count,
            last_t=one.last_t,
            boot_id=one.boot_id,
            detail=one.detail,
        )
        for one in events
    ]
    found += [_of_finding(one) for one in changes]
    found += [
        Happening(
            t=one.t, kind=one.kind, text=one.text, position=one.detail.get("position") or labels.get(one.path),
            path=one.path, drive=one.drive, detail=one.detail,
        )
        for one in notes
    ]  # fmt: skip
    return sorted(found, key=lambda one: one.t)


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


def as_json(happened: Sequence[Happening], *, since: float | None, until: float) -> dict[str, Any]:
    """Give what happened as a JSON object."""
    return {
        "schema": SCHEMA,
        "since": None if since is None else format_time(since),
        "until": format_time(until),
        "events": [_one_json(one) for one in happened],
    }


def _one_json(one: Happening) -> dict[str, Any]:
    return {
        "t": one.t,
        "time": format_time(one.t),
        "kind": one.kind,
        "position": one.position,
        "path": one.path or None,
        "drive": one.drive or None,
        "device": one.device or None,
        "text": one.text,
        "count": one.count,
        "last_t": one.last_t if one.last_t is not None else one.t,
        "boot_id": one.boot_id,
        "detail": dict(one.detail),
    }


def join_runs(happened: Iterable[Happening]) -> list[Happening]:
    """Make one of what the kernel told of one place again and again, with less than an hour in between.

    Args:
        happened: In the order of time.

    Returns:
        What happened, by the time of each beginning; a run has the words of its first and the count of all.
    """
    joined: list[Happening] = []
    runs: dict[tuple[str, str | None, str], int] = {}
    for one in happened:
        key = (one.kind, one.position, one.path or one.device)
        number = runs.get(key)
        if number is not None and one.kind not in _EACH and one.t - (joined[number].last_t or 0) < _RUN_SECONDS:
            before = joined[number]
            joined[number] = replace(before, count=before.count + one.count, last_t=one.last_t or one.t)
            continue
        runs[key] = len(joined)
        joined.append(replace(one, last_t=one.last_t or one.t))
    return joined


def write_events(happened: Sequence[Happening], style: Style) -> str:
    """Write what happened, oldest first, with a line end.

    Args:
        happened: As `gather` gives it.
        style: How to write; narrower than `NARROWEST` is written as that.
    """
    style = replace(style, width=max(style.width, NARROWEST))
    if not happened:
        return "Nothing happened in that time that was told or noticed.\n"
    return "\n".join(line for one in join_runs(happened) for line in _lines(one, style)) + "\n"


def _lines(one: Happening, style: Style) -> Iterator[str]:
    time = format_time(one.t)
    place = style.clean(one.position or one.device or one.path or "the box")
    kind = one.kind if one.count == 1 else f"{one.kind} {'×' if style.unicode else 'x'}{one.count}"  # noqa: RUF001 (meant)
    until = "" if one.last_t is None or one.last_t - one.t < _LASTING_SECONDS else f" (until {format_time(one.last_t)})"
    text = style.clean(" ".join(one.text.split()) + until)
    if style.width >= _ONE_LINE_FROM:
        head = f"{time}  {style.cut(place, _PLACE):<{_PLACE}}  {style.cut(kind, _KIND):<{_KIND}}  "
        yield from textwrap.wrap(
            text or "-", style.width, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False
        )
        return
    yield style.cut(f"{time}  {place}  {kind}", style.width)
    yield from textwrap.wrap(text, style.width, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
