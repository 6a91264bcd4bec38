"""Joins events into episodes: one disconnect is one episode, however many lines and events it wrote.

Rules of this module: disconnects of one position that follow each other within `EPISODE_GAP_SECONDS` are one episode;
what happened around it at the same position (timeouts, failed reads, error reports) belongs to it and does not begin
one. A removal in good order is an episode of its own where the device was back before, or is back before the next.
Times are unix seconds that the caller gives. What it does not do: say why (see the diagnosis), or how often is too
often (see `evidence.episode_patterns`).
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter
from typing import Annotated

from pydantic import Field

from laneproof.evidence.episode_patterns import EPISODE_GAP_SECONDS
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.classification import KernelEvent
from laneproof_collectors.kernel_log.formats import EventKind

COMPANION_SECONDS = 300.0
"""What happens at the same position within this time before or after belongs to the episode.

The kernel's own limits, added up: 30 s until a command times out and 30 s more for its abort (nvme_core.io_timeout),
60 s for an admin command (nvme_core.admin_timeout), up to 127.5 s until a controller is ready (CAP.TO in NVMe Base
2.0, section 3.1.3.1, from memory): 247.5 s. Kernel drivers/nvme/host/core.c.
"""

TOGETHER_SECONDS = 5.0
"""Disconnects of several positions within this time are counted as one coincidence."""

REMOVED, ADDED = "removed", "added"
"""Kinds of the device events, beside the kinds of the kernel's."""

_OPENS = frozenset({EventKind.CONTROLLER_DOWN, EventKind.DEVICE_REMOVED, EventKind.LINK_DOWN, EventKind.DPC})
_LEFT_THE_BUS = frozenset({EventKind.DEVICE_REMOVED, EventKind.LINK_DOWN, EventKind.DPC})
RETURNS = frozenset({ADDED, EventKind.LINK_UP})
"""Kinds of event that say that a device is back."""
_PART = re.compile(r"(?P<disk>nvme\d+n\d+(?=p)|sd[a-z]+)p?\d+|(?P<controller>nvme\d+)n\d+|(?P<port>ata\d+)\.\d+")
_RESETTING = ("reset controller", "disable controller")


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionEvent:
    """Something that happened at a position."""

    t: float  # when, unix seconds
    # the path or other key of the position; what has no position of its own stands under its device's name
    path: Annotated[str, Field(alias="place")]
    device: str
    kind: str  # a kind of kernel event, or `REMOVED`, `ADDED`
    opens: bool  # it is a disconnect or a reset, and not merely something that goes along with one
    dropped: bool = False  # it says that the device stopped answering on the bus, and was not merely reset
    # whether the device had left the bus entirely; None where the event does not say
    config_space_gone: bool | None = None
    lines: int = 1  # how many lines of the log it stands for
    # whether the log, which would say that something failed, was read without loss at that time
    is_log_whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedEvents:
    """The events of one episode: one disconnect, or one reset, of what is at a position."""

    path: str
    devices: tuple[str, ...]  # the names under which it appeared, sorted
    # the first event that belongs to it, unix seconds: what held before this, held before the disconnect
    started: float
    dropped_at: float  # the first disconnect or reset itself
    last_at: float  # the last one of it
    ended: float  # the last event that belongs to it
    kinds: tuple[str, ...]
    lines: int  # how many lines and events it wrote
    dropped: bool  # the device stopped answering on the bus; False where the controller was reset and stayed there
    # whether it had left the bus entirely: True, False (it still answered there), None if nobody said
    config_space_gone: bool | None
    # nothing failed: only device events of a removal, and the log, read without loss, said nothing; so somebody took it
    # out in good order (or a driver was let go)
    asked: bool
    together: tuple[str, ...] = ()  # other positions where an episode began within `TOGETHER_SECONDS`, sorted


def path_of(device: str, paths: Mapping[str, str]) -> str:
    """Find the position of a device by its name in the log, such as ``nvme0n1p2``; the name itself where none is known.

    `paths` has path by name, of all that was known before the event: the last snapshot's addresses, ports, controllers.
    """
    name = device
    while name not in paths:
        match = _PART.fullmatch(name)
        if match is None or match.lastgroup is None:
            return device
        name = match[match.lastgroup]
    return paths[name]


def from_kernel(event: KernelEvent, *, t: float, paths: Mapping[str, str], lines: int = 1) -> PositionEvent | None:
    """Place a kernel event, which may stand for several lines of the log; None where the message named nobody."""
    if event.device is None:
        return None
    resets = event.kind is EventKind.IO_TIMEOUT and event.detail.get("action", "").startswith(_RESETTING)
    gone = event.config_space_gone
    return PositionEvent(
        t=t,
        path=path_of(event.device, paths),
        device=event.device,
        kind=event.kind,
        opens=event.kind in _OPENS or resets,
        dropped=event.kind in _LEFT_THE_BUS or bool(event.silent) or bool(gone),
        config_space_gone=gone,
        lines=lines,
    )


def from_device(
    event: DeviceEvent, *, t: float, paths: Mapping[str, str], is_log_whole: bool = True
) -> PositionEvent | None:
    """Place a device event; None for other than PCI functions and NVMe controllers coming and going."""
    if event.subsystem not in {"pci", "nvme"} or not (event.left or event.arrived):
        return None
    if event.subsystem == "nvme" and event.name != event.controller:
        return None  # a subsystem or a generic node: reported beside its controller
    return PositionEvent(
        t=t,
        path=path_of(event.address or event.name, paths),
        device=event.name,
        kind=REMOVED if event.left else ADDED,
        opens=event.left,
        dropped=event.left and event.subsystem == "pci",
        is_log_whole=is_log_whole,
    )


def join_events(events: Iterable[PositionEvent]) -> tuple[JoinedEvents, ...]:
    """Join events of any positions, in any order, into episodes, by the time of the disconnect.

    A device that the first pass after a boot finds in its position is an `ADDED` event at that time.
    """
    found: list[JoinedEvents] = []
    ordered = sorted(events, key=attrgetter("path", "t"))
    for _, here in groupby(ordered, key=attrgetter("path")):
        removals, failed = _set_removals_apart(list(here))
        for happened in (*removals, failed):
            clusters = _clusters([event for event in happened if event.opens])
            found += [_join_cluster(cluster, happened) for cluster in clusters]
    return _mark_together(sorted(found, key=attrgetter("dropped_at", "path")))


def _set_removals_apart(happened: Sequence[PositionEvent]) -> tuple[list[list[PositionEvent]], list[PositionEvent]]:
    """Set each removal in good order, from one return of the device to the next, apart from all else at a position."""
    stretches: list[list[PositionEvent]] = [[]]
    left, back = False, 0  # whether it is away in this stretch; how much of the stretch ends with its last return
    for event in happened:
        stretch = stretches[-1]
        if event.opens and left and back:
            stretches[-1], rest = stretch[:back], stretch[back:]
            stretches.append(stretch := rest)
            left, back = False, 0
        left = left or event.opens
        stretch.append(event)
        back = len(stretch) if left and event.kind in RETURNS else back
    removals: list[list[PositionEvent]] = []
    failed: list[PositionEvent] = []
    for part in stretches:
        opened = next((event.t for event in part if event.opens), math.inf)
        own = [event for event in part if event.t >= opened - COMPANION_SECONDS]  # a time-out long before says nothing
        if own and all(map(_is_in_good_order, own)):
            removals.append(own)
            failed += part[: -len(own)]
        else:
            failed += part
    return removals, failed


def _is_in_good_order(event: PositionEvent) -> bool:
    return event.kind in RETURNS or (event.kind == REMOVED and event.is_log_whole)


def _clusters(opening: Sequence[PositionEvent]) -> Iterator[list[PositionEvent]]:
    cluster: list[PositionEvent] = []
    for event in opening:
        # A drive that drops is tried again by the kernel for minutes (timeouts, resets, training, a new probe), and a
        # contact that flaps flaps many times; the statistics take episodes for independent events, and these are not.
        if cluster and event.t - cluster[-1].t >= EPISODE_GAP_SECONDS:
            yield cluster
            cluster = []
        cluster.append(event)
    if cluster:
        yield cluster


def _join_cluster(cluster: Sequence[PositionEvent], happened: Sequence[PositionEvent]) -> JoinedEvents:
    first, last = cluster[0].t, cluster[-1].t
    # Disconnects of other episodes lie an hour off, so whatever is near enough belongs to this one.
    own = [event for event in happened if first - COMPANION_SECONDS <= event.t <= last + COMPANION_SECONDS]
    said = [event.config_space_gone for event in own if event.config_space_gone is not None]
    return JoinedEvents(
        path=cluster[0].path,
        devices=tuple(sorted({event.device for event in own})),
        started=own[0].t,
        dropped_at=first,
        last_at=last,
        ended=own[-1].t,
        kinds=tuple(sorted({str(event.kind) for event in own})),
        lines=sum(event.lines for event in own),
        dropped=any(event.dropped for event in own),
        config_space_gone=any(said) if said else None,
        asked=all(map(_is_in_good_order, own)),
    )


def _mark_together(found: Sequence[JoinedEvents]) -> tuple[JoinedEvents, ...]:
    """Look from each episode back and ahead only as far as the coincidence reaches: `found` is ordered by time."""
    marked = []
    begin = 0
    for joined in found:
        while found[begin].dropped_at < joined.dropped_at - TOGETHER_SECONDS:
            begin += 1
        others = set()
        for other in found[begin:]:
            if other.dropped_at > joined.dropped_at + TOGETHER_SECONDS:
                break
            others.add(other.path)
        marked.append(replace(joined, together=tuple(sorted(others - {joined.path}))))
    return tuple(marked)
