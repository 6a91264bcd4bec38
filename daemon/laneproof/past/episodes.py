"""Episodes: one disconnect is one episode, however many lines and events it wrote.

Rules of this module: disconnects of one place that follow each other within `EPISODE_GAP_SECONDS` are one episode; what
happened around it at the same place (timeouts, failed reads, error reports) belongs to it and does not begin one. A
removal in good order is an episode of its own where the device was back before, or is back before the next. Times
are unix seconds that the caller gives. What it does not do: say why (see the diagnosis), or how often is too often (see
`disconnects`).
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter

from laneproof.evidence.disconnects import EPISODE_GAP_SECONDS
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.lines import KernelEvent

COMPANION_SECONDS = 300.0
"""What happens at the same place within this time before or after belongs to the episode.

The kernel's own limits, added up: 30 s until a command times out and 30 s more for its abort (nvme_core.io_timeout),
60 s for an admin command (nvme_core.admin_timeout), up to 127.5 s until a controller is ready (CAP.TO in NVMe Base
2.0, section 3.1.3.1, from memory): 247.5 s. Kernel drivers/nvme/host/core.c.
"""

TOGETHER_SECONDS = 5.0
"""Disconnects of several places within this time are counted as one coincidence."""

REMOVED, ADDED = "removed", "added"
"""Kinds of the device events, beside the kinds of the kernel's."""

_OPENS = frozenset({EventKind.CONTROLLER_DOWN, EventKind.DEVICE_REMOVED, EventKind.LINK_DOWN, EventKind.DPC})
_LEFT_THE_BUS = frozenset({EventKind.DEVICE_REMOVED, EventKind.LINK_DOWN, EventKind.DPC})
RETURNS = frozenset({ADDED, EventKind.LINK_UP})
"""Kinds of event that say that a device is back."""
_PART = re.compile(r"(?P<disk>nvme\d+n\d+(?=p)|sd[a-z]+)p?\d+|(?P<controller>nvme\d+)n\d+|(?P<port>ata\d+)\.\d+")
_RESETTING = ("reset controller", "disable controller")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceEvent:
    """Something that happened at a place.

    Attributes:
        t: When, unix seconds.
        place: The path or other key of the place; what has no place of its own stands under its device's name.
        device: The name in the event.
        kind: A kind of kernel event, or `REMOVED`, `ADDED`.
        opens: It is a disconnect or a reset, and not merely something that goes along with one.
        dropped: It says that the device stopped answering on the bus, and was not merely reset.
        config_space_gone: Whether the device had left the bus entirely; None where the event does not say.
        lines: How many lines of the log it stands for.
    """

    t: float
    place: str
    device: str
    kind: str
    opens: bool
    dropped: bool = False
    config_space_gone: bool | None = None
    lines: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One disconnect, or one reset, of what is at a place.

    Attributes:
        place: The path or other key.
        devices: The names under which it appeared, sorted.
        started: The first event that belongs to it, unix seconds: what held before this, held before the disconnect.
        dropped_at: The first disconnect or reset itself.
        last_at: The last one of it.
        ended: The last event that belongs to it.
        kinds: The kinds seen, sorted.
        lines: How many lines and events it wrote.
        dropped: The device stopped answering on the bus; False where the controller was reset and stayed there.
        config_space_gone: Whether it had left the bus entirely: True, False (it still answered there), None if nobody
            said.
        asked: Nothing failed: only device events of a removal, so somebody took it out in good order (or a driver was
            let go).
        returned_at: When it came back; None if it did not.
        restarted: Whether it came back only after the machine was started again; None if it did not come back.
        together: Other places where an episode began within `TOGETHER_SECONDS`, sorted.
    """

    place: str
    devices: tuple[str, ...]
    started: float
    dropped_at: float
    last_at: float
    ended: float
    kinds: tuple[str, ...]
    lines: int
    dropped: bool
    config_space_gone: bool | None
    asked: bool
    returned_at: float | None
    restarted: bool | None
    together: tuple[str, ...] = ()


def place_of(device: str, places: Mapping[str, str]) -> str:
    """Find the place of a device by its name in the log.

    Args:
        device: A name: an address, ``nvme0``, ``nvme0n1p2``.
        places: Place by name, of all that was known before the event: the last snapshot's addresses, ports,
            controllers.

    Returns:
        The place; the device's own name where none is known.
    """
    name = device
    while name not in places:
        match = _PART.fullmatch(name)
        if match is None or match.lastgroup is None:
            return device
        name = match[match.lastgroup]
    return places[name]


def from_kernel(event: KernelEvent, *, t: float, places: Mapping[str, str], lines: int = 1) -> PlaceEvent | None:
    """Place a kernel event.

    Args:
        event: The event.
        t: When, unix seconds.
        places: Place by name (see `place_of`).
        lines: How many lines of the log it stands for.

    Returns:
        The event at its place; None where the message named nobody.
    """
    if event.device is None:
        return None
    resets = event.kind is EventKind.IO_TIMEOUT and event.detail.get("action", "").startswith(_RESETTING)
    gone = event.config_space_gone
    return PlaceEvent(
        t=t,
        place=place_of(event.device, places),
        device=event.device,
        kind=event.kind,
        opens=event.kind in _OPENS or resets,
        dropped=event.kind in _LEFT_THE_BUS or bool(event.silent) or bool(gone),
        config_space_gone=gone,
        lines=lines,
    )


def from_device(event: DeviceEvent, *, t: float, places: Mapping[str, str]) -> PlaceEvent | None:
    """Place a device event.

    Args:
        event: The event.
        t: When, unix seconds.
        places: Place by name (see `place_of`).

    Returns:
        The event at its place; None for other than PCI functions and NVMe controllers coming and going.
    """
    if event.subsystem not in {"pci", "nvme"} or not (event.left or event.arrived):
        return None
    if event.subsystem == "nvme" and event.name != event.controller:
        return None  # a subsystem or a generic node: told of beside its controller
    return PlaceEvent(
        t=t,
        place=place_of(event.address or event.name, places),
        device=event.name,
        kind=REMOVED if event.left else ADDED,
        opens=event.left,
        dropped=event.left and event.subsystem == "pci",
    )


def episodes(events: Iterable[PlaceEvent], *, boots: Iterable[float] = ()) -> tuple[Episode, ...]:
    """Join events into episodes.

    Args:
        events: Events of any places, in any order. A device that a first look after a boot found in its place is an
            `ADDED` event at that time.
        boots: When the machine was started, unix seconds.

    Returns:
        The episodes, by the time of the disconnect.
    """
    started = sorted(boots)
    found: list[Episode] = []
    ordered = sorted(events, key=attrgetter("place", "t"))
    for _, at_place in groupby(ordered, key=attrgetter("place")):
        happened = list(at_place)
        wished, failed = _set_wishes_apart(happened)
        for events_of in (*wished, failed):
            clusters = list(_clusters([event for event in events_of if event.opens]))
            for position, cluster in enumerate(clusters):
                following = clusters[position + 1][0].t if position + 1 < len(clusters) else float("inf")
                found.append(_episode(cluster, events_of, following, started))
    return _mark_together(sorted(found, key=attrgetter("dropped_at", "place")))


def _set_wishes_apart(happened: Sequence[PlaceEvent]) -> tuple[list[list[PlaceEvent]], list[PlaceEvent]]:
    """Set each removal in good order, from one return of the device to the next, apart from all else at a place."""
    stretches: list[list[PlaceEvent]] = [[]]
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
    wished = [one for one in stretches if any(event.opens for event in one) and all(map(_is_in_good_order, one))]
    return wished, [event for one in stretches if one not in wished for event in one]


def _is_in_good_order(event: PlaceEvent) -> bool:
    return event.kind in {REMOVED, *RETURNS}


def _clusters(opening: Sequence[PlaceEvent]) -> Iterator[list[PlaceEvent]]:
    cluster: list[PlaceEvent] = []
    for event in opening:
        # A drive that drops is tried again by the kernel for minutes (timeouts, resets, training, a new probe), and a
        # contact that flaps flaps many times; the statistics take episodes for independent events, and these are not.
        if cluster and event.t - cluster[-1].t >= EPISODE_GAP_SECONDS:
            yield cluster
            cluster = []
        cluster.append(event)
    if cluster:
        yield cluster


def _episode(
    cluster: Sequence[PlaceEvent], happened: Sequence[PlaceEvent], following: float, boots: Sequence[float]
) -> Episode:
    first, last = cluster[0].t, cluster[-1].t
    # Disconnects of other episodes lie an hour off, so whatever is near enough belongs to this one.
    own = [one for one in happened if first - COMPANION_SECONDS <= one.t <= last + COMPANION_SECONDS]
    returned_at = next((one.t for one in happened if one.kind in RETURNS and last <= one.t < following), None)
    said = [one.config_space_gone for one in own if one.config_space_gone is not None]
    return Episode(
        place=cluster[0].place,
        devices=tuple(sorted({one.device for one in own})),
        started=own[0].t,
        dropped_at=first,
        last_at=last,
        ended=own[-1].t,
        kinds=tuple(sorted({str(one.kind) for one in own})),
        lines=sum(one.lines for one in own),
        dropped=any(one.dropped for one in own),
        config_space_gone=any(said) if said else None,
        asked=all(map(_is_in_good_order, own)),
        returned_at=returned_at,
        restarted=None if returned_at is None else any(last < boot <= returned_at for boot in boots),
    )


def _mark_together(found: Sequence[Episode]) -> tuple[Episode, ...]:
    """Look from each episode back and ahead only as far as the coincidence reaches: `found` is ordered by time."""
    marked = []
    begin = 0
    for episode in found:
        while found[begin].dropped_at < episode.dropped_at - TOGETHER_SECONDS:
            begin += 1
        others = set()
        for other in found[begin:]:
            if other.dropped_at > episode.dropped_at + TOGETHER_SECONDS:
                break
            others.add(other.place)
        marked.append(replace(episode, together=tuple(sorted(others - {episode.place}))))
    return tuple(marked)
