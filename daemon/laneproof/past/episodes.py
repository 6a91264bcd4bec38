"""Episodes, each a disconnect or a reset of a drive, with what held just before.

What the kernel reported is joined into episodes (see `laneproof.past.event_joining`). A drive that was there in one
pass and is not in the next, with not a word from the kernel, is an episode too: a port without hot plug says nothing.
Only where the log is known to be read, without loss, and the function is gone in good order, did somebody take it out.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import attrgetter
from types import MappingProxyType
from typing import Annotated

from pydantic import Field

from laneproof.evidence.episode_patterns import EPISODE_GAP_SECONDS
from laneproof.past.event_joining import (
    ADDED,
    COMPANION_SECONDS,
    REMOVED,
    RETURNS,
    JoinedEvents,
    PositionEvent,
    from_device,
    from_kernel,
    join_events,
    path_of,
)
from laneproof.past.link_errors import is_correctable_of_link, is_of_link
from laneproof.past.presence import AWAY
from laneproof.past.timeline import Timeline
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.classification import KernelEvent
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import TimedKernelEvent

VANISHED = "vanished"
"""Kind of an event that nobody reported: the drive was there in one pass and not in the next."""
ABORTED = "command-aborted"
"""Kind of a time-out after which the driver took a command back, and nothing more came of it."""
RESETTING = "resetting"
"""Kind of an event that nobody reported: the controller was being reset at the moment of a pass."""
REENUMERATED = "enumerated-anew"
"""Kind of another: its counters began again within a boot, so it had been away."""

HEAT_LASTS_SECONDS = 900.0
"""A temperature read this short a time before an episode is that of its moment. Our choice: a drive at work warms by
tens of degrees within minutes."""

_BOOT_SECONDS = 60.0
_MOST_EPISODES = 400
_MOST_RECENT = 2000
_MOST_ANSWERS = 100
_LINK_IS_GONE = (EventKind.LINK_DOWN, EventKind.DPC)
_CHAIN_SECONDS = EPISODE_GAP_SECONDS + 2 * COMPANION_SECONDS
_TOUCHES_NO_DRIVE = (
    EventKind.AER_CORRECTABLE,
    EventKind.BANDWIDTH_LIMITED,
    EventKind.ARRAY_DEGRADED,
    EventKind.BOND_LINK_DOWN,
)


IN_HAND_SECONDS = 120.0
"""How long a drive that was let go on request may be on its way back: a script that scans the bus again, or binds a
driver again, takes seconds. Our choice."""


@dataclass(slots=True, kw_only=True)
class Before:
    """What held just before an episode, as far as it was known. None: not known."""

    load_bytes_per_second: float | None = None  # data moved in the last window that ended before it can have hung
    load: str | None = None  # idle, working or loaded in that window
    load_during: str | None = None  # the same of the window in which it happened
    window_seconds: float | None = None  # how long the window before was
    load_age_seconds: float | None = None  # how long before the episode that window ended
    # how long the drive had been seen idle, working and loaded by then
    state_seconds: dict[str, float] = field(default_factory=dict)
    celsius: float | None = None  # the drive's last reading before
    warning_celsius: float | None = None  # its own warning threshold
    hot: bool | None = None  # whether it was near or above it; None where that reading was too old
    idle_states: bool | None = None  # whether idle states of drive or link could be entered
    trained: str | None = None  # rate and width of its link
    recent_errors: int | None = None  # correctable errors of its link in the day before
    unsafe_shutdowns: int | None = None  # as counted at the last reading before
    power_cycles: int | None = None  # the same


@dataclass(slots=True, kw_only=True)
class Episode:
    """One episode: a disconnect or a reset."""

    number: int  # its own number, for people
    path: str
    serial: str = ""  # the drive that was there, empty where it is not known
    device: str = ""
    dropped_at: float  # when, ledger time
    uncertain_seconds: float = 0.0  # how much earlier it may have been
    started: float  # the first event that belongs to it
    ended: float  # the last one
    boot: int  # number of the boot
    kinds: list[str] = field(default_factory=list)
    lines: int = 0  # how many lines and events
    dropped: bool = False  # it stopped answering on the bus; False for a reset
    gone: bool | None = None  # whether it had left the bus entirely; None if nobody said
    answered: bool | None = None  # whether its controller still answered, and said that it failed; None if nobody said
    asked: bool = False  # somebody took it out in good order
    # the kernel's log could not be read, nor had been in this boot: nobody knows whether it failed
    log_unread: Annotated[bool, Field(alias="unheard")] = False
    returned_at: float | None = None  # when it was back; None while it is not
    returned_boot: int | None = None
    cycled: bool | None = None  # whether its count of power cycles had gone up by then; None if not known
    power_lost: bool | None = None  # whether it lost its power while the machine ran on; None if not known
    # whether somebody pulled it: only its slot spoke, and its counts show that it was asked to stop before, or it is in
    # an enclosure that may be unplugged
    pulled: bool = False
    together: list[str] = field(default_factory=list)
    before: Before = field(default_factory=Before)

    @property
    def only_aborted(self) -> bool:
        """Whether commands timed out and were taken back, and nothing more came of it."""
        return set(self.kinds) <= {ABORTED, EventKind.IO_ERROR, EventKind.MEDIA_ERROR} and not self.dropped

    @property
    def is_failure(self) -> bool:
        """Whether something failed, and nobody took the drive out in good order."""
        return not self.asked and not self.pulled

    @property
    def only_left(self) -> bool:
        """Whether all that is known is that the drive left: a failure, or somebody's wish."""
        return self.log_unread and set(self.kinds) <= {REMOVED, ADDED}

    def may_grow(self, timeline: Timeline) -> bool:
        """Whether what happens now at its position would still belong to it."""
        return self.boot == timeline.boots and timeline.now - self.ended < EPISODE_GAP_SECONDS


@dataclass(slots=True, kw_only=True)
class EpisodeBook:
    """All episodes, oldest first, and the events that may still belong to the last ones."""

    episodes: Annotated[list[Episode], Field(alias="drops")] = field(default_factory=list)
    recent: list[PositionEvent] = field(default_factory=list)  # events of the last hours
    next_number: int = 1
    # what each position held at the last pass: serial number, name and state
    states: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)  # positions by name, as of this boot
    boot: int = 0  # the boot that both are of
    older_names: dict[str, str] = field(default_factory=dict)  # positions by name, as of the boot before
    # number of the last boot in which a record of the kernel's log was read
    log_read_in_boot: Annotated[int, Field(alias="log_heard_in")] = 0
    # whether no record of the log was read in this boot, neither in the last pass nor before it
    is_log_unread: Annotated[bool, Field(alias="is_unheard")] = False
    # since when a position's drive has been let go of by its driver, while that goes on
    leaving: dict[str, float] = field(default_factory=dict)
    # when the log reported data that could not be recovered, the position, and the drive where it was known
    media: list[tuple[float, str, str]] = field(default_factory=list)
    # when the log showed whether a controller's registers still answered, with the position and the answer
    answers: list[tuple[float, str, bool]] = field(default_factory=list)
    # when the log reported a link's error that could not be corrected, and the position, since the counters were last
    # read
    uncorrected: list[tuple[float, str]] = field(default_factory=list)

    def of(self, path: str | None, serial: str | None) -> list[Episode]:
        """Give the failures of a position and those of a drive wherever it was, oldest first."""
        return [
            episode
            for episode in self.episodes
            if episode.is_failure
            and ((path is not None and episode.path == path) or (serial and episode.serial == serial))
        ]

    def is_being_removed(self, path: str, now: float, *, within: float = IN_HAND_SECONDS) -> bool:
        """Whether somebody removed the drive in good order a short time ago, and it is not back."""
        removal = self._find_removal(path)
        return removal is not None and 0.0 <= now - removal.dropped_at < within

    def is_filled(self, path: str) -> bool:
        """Whether a drive was in a position at the last pass, and answered."""
        return self.states.get(path, ("", "", AWAY))[2] != AWAY

    def is_out(self, path: str) -> bool:
        """Whether a drive is known to have left a position, whatever the reason, and is not back."""
        last = self._find_last(path)
        return last is not None and last.returned_at is None

    def _find_last(self, path: str) -> Episode | None:
        return next((episode for episode in reversed(self.episodes) if episode.path == path), None)

    def _find_removal(self, path: str) -> Episode | None:
        """Find the removal in good order after which a position's drive is not back."""
        last = self._find_last(path)
        return last if last is not None and last.asked and last.returned_at is None else None

    def covers(self, path: str, when: float) -> bool:
        """Whether a moment belongs to an episode of a position, or of one above or below it."""
        return any(
            episode.started - COMPANION_SECONDS <= when <= episode.ended + COMPANION_SECONDS
            and (f"{episode.path}/".startswith(f"{path}/") or f"{path}/".startswith(f"{episode.path}/"))
            for episode in reversed(self.episodes)
        )

    def learn_names(self, paths: dict[str, str], timeline: Timeline) -> dict[str, str]:
        """Keep the names of this boot; those known before an episode come first, since its lines used them.

        A drive that left before the first pass of a boot has no name in it; as a rule it is that of the boot before.
        """
        if self.boot != timeline.boots:
            self.boot, self.names, self.older_names = timeline.boots, {}, self.names
        merged = {**self.older_names, **paths, **self.names}
        self.names = {**self.names, **paths}
        return merged

    def place_events(  # noqa: PLR0913 (what a pass brings)
        self,
        kernel_events: Iterable[TimedKernelEvent],
        device_events: Iterable[DeviceEvent],
        paths: dict[str, str],
        timeline: Timeline,
        *,
        released: Mapping[str, float] = MappingProxyType({}),
        is_log_whole: bool,
    ) -> tuple[list[PositionEvent], dict[str, int]]:
        """Place the events of a pass.

        Args:
            kernel_events: What the kernel's log reported.
            device_events: Which devices came and went.
            paths: Path by name.
            timeline: When.
            released: By name, when the log says that a function left the kernel, where it is not back.
            is_log_whole: Whether the log was read in this pass, and no record of it was lost.

        Returns:
            Those that bear on episodes; and by position, how many correctable errors were reported.
        """
        placed: list[PositionEvent] = []
        reports: dict[str, int] = {}
        removed_at = {path_of(name, paths): when for name, when in released.items()} if is_log_whole else {}
        for timed in kernel_events:
            event = timed.event
            boot_before = timeline.is_of_boot_before(timed.boot_id)
            when = timeline.at(timed.up_seconds, timed.unix_seconds, boot_before=boot_before)
            named = {**paths, **self.older_names} if boot_before else paths
            if event.kind in _TOUCHES_NO_DRIVE or event.device is None:
                is_report = event.kind is EventKind.AER_CORRECTABLE and is_correctable_of_link(event.detail)
                if is_report and event.device is not None and not boot_before:
                    path = path_of(event.device, paths)
                    reports[path] = reports.get(path, 0) + 1
                continue
            placed_event = from_kernel(event, t=when, paths=named, lines=timed.lines)
            if placed_event is not None and not self._was_taken_out(placed_event, placed, removed_at):
                placed.append(_grade(placed_event, event, timeline))
                if event.silent is not None:
                    self.answers.append((when, placed_event.path, not event.silent))
                elif event.kind in _LINK_IS_GONE:
                    self.answers.append((when, placed_event.path, False))
                if event.kind is EventKind.AER_UNCORRECTABLE and is_of_link(event.detail.get("bits")):
                    self.uncorrected.append((when, placed_event.path))
                if event.kind is EventKind.MEDIA_ERROR:
                    self.media.append((when, placed_event.path, self.states.get(placed_event.path, ("", "", ""))[0]))
        del self.media[:-_MOST_EPISODES], self.answers[:-_MOST_ANSWERS], self.uncorrected[:-_MOST_ANSWERS]
        came_or_went = [
            from_device(event, t=timeline.now, paths=paths, is_log_whole=is_log_whole) for event in device_events
        ]
        placed += list(_date_removals([event for event in came_or_went if event is not None], placed))
        return placed, reports

    def _was_taken_out(
        self, event: PositionEvent, placed: Sequence[PositionEvent], removed_at: Mapping[str, float]
    ) -> bool:
        """Whether the drive was removed in good order before this event, and is not back: then the event is no trouble.

        When a drive is removed through sysfs and then pulled, its slot, which is still on, reports that the link went
        down and that no card is present. Source: Linux drivers/pci/hotplug/pciehp_ctrl.c,
        pciehp_handle_presence_or_link_change. Removal and report may be first read in one pass, and a device event has
        no time: then the log's line of when the function left decides. After a mere pull that line follows the report.
        """
        if event.kind in RETURNS:
            return False
        if removed_at.get(event.path, math.inf) < event.t:
            return not any(other.path == event.path and other.opens for other in placed)
        if self.states.get(event.path, ("", "", ""))[2] != AWAY:
            return False
        removal = self._find_removal(event.path)
        if removal is None or event.t < removal.dropped_at:
            return False
        since = (
            other for other in (*self.recent, *placed) if other.path == event.path and other.t > removal.dropped_at
        )
        return not any(other.kind in RETURNS for other in since)

    def join(self, events: Sequence[PositionEvent], timeline: Timeline) -> list[Episode]:
        """Join the pass's events with those before into episodes; gives those that are new or grew."""
        touched: list[Episode] = []
        if events:
            self.recent = _drop_repetitions([*self.recent, *events])[-_MOST_RECENT:]
            touched = [self._note(joined, timeline) for joined in join_events(self.recent)]
        if self.recent and min(event.t for event in self.recent) < timeline.now - _CHAIN_SECONDS:
            self.recent = _keep_joinable(self.recent, timeline.now)
        return touched

    def _note(self, joined: JoinedEvents, timeline: Timeline) -> Episode:
        known = next((episode for episode in reversed(self.episodes) if _is_same(episode, joined)), None)
        if known is None:
            serial, name, _ = self.states.get(joined.path, ("", "", ""))
            known = Episode(
                number=self.next_number,
                path=joined.path,
                serial=serial,
                device=name or joined.devices[0],
                dropped_at=joined.dropped_at,
                started=joined.started,
                ended=joined.ended,
                # what the boot before said last is read back from the journal in this one
                boot=timeline.boots - (timeline.boots > 1 and joined.ended < timeline.booted_at),
                dropped=joined.dropped,
                asked=joined.asked,
                log_unread=self.is_log_unread,
            )
            self.next_number += 1
            self.episodes.append(known)
            del self.episodes[:-_MOST_EPISODES]
        elif joined.last_at > max(known.ended, known.returned_at or math.inf):
            known.returned_at = known.returned_boot = None  # it is away again
        known.started = min(known.started, joined.started)
        known.ended = max(known.ended, joined.ended)
        known.kinds = sorted({*known.kinds, *joined.kinds})
        known.lines = max(known.lines, joined.lines)
        known.dropped = known.dropped or joined.dropped
        known.gone = joined.config_space_gone if known.gone is None else known.gone or bool(joined.config_space_gone)
        known.asked = known.asked and joined.asked
        answers = [yes for at, path, yes in self.answers if path == known.path and known.started <= at <= known.ended]
        known.answered = all(answers) if answers else known.answered
        known.together = sorted({*known.together, *joined.together})
        return known


def _is_same(episode: Episode, joined: JoinedEvents) -> bool:
    """Whether joined events are a known episode, which may have grown since, or proved not to be in good order."""
    if episode.path != joined.path or episode.asked < joined.asked:
        return False
    if episode.asked and joined.dropped_at > episode.dropped_at:
        return False  # taken out and put back; what came then is another (what belongs to it begins with it)
    return joined.started - episode.ended < EPISODE_GAP_SECONDS and episode.started <= joined.ended


def _keep_joinable(events: list[PositionEvent], now: float) -> list[PositionEvent]:
    """Keep the events of each position that a later event may still be joined to."""
    kept: list[PositionEvent] = []
    reached: dict[str, float] = {}
    for event in sorted(events, key=attrgetter("t"), reverse=True):
        if reached.get(event.path, now) - event.t <= _CHAIN_SECONDS:
            reached[event.path] = event.t
            kept.append(event)
    return kept[::-1]


def _drop_repetitions(events: list[PositionEvent]) -> list[PositionEvent]:
    """Keep every event that opens an episode or is a return; of others one a minute, position and kind is enough."""
    kept: dict[tuple[object, ...], PositionEvent] = {}
    for event in events:
        minute = event.t if event.opens or event.kind in RETURNS else event.t // 60.0
        kept.setdefault((event.path, event.device, event.kind, event.opens, minute), event)
    return list(kept.values())


def _date_removals(events: Iterable[PositionEvent], reported: Sequence[PositionEvent]) -> Iterator[PositionEvent]:
    """Date removals: a device event has no time of its own, and is part of the episode that the log reported there."""
    for event in events:
        near = [other.t for other in reported if other.path == event.path and other.opens]
        yield replace(event, t=max(near)) if near and event.kind == REMOVED else event


def _grade(placed: PositionEvent, event: KernelEvent, timeline: Timeline) -> PositionEvent:
    """Let some events open an episode by themselves; a link that is down just after boot trains, and opens none."""
    if event.kind is EventKind.PROBE_FAILED:
        return replace(placed, opens=True)
    if event.kind is EventKind.IO_TIMEOUT and event.detail.get("action", "").startswith("aborting"):
        return replace(placed, kind=ABORTED, opens=True)
    if event.kind is EventKind.LINK_DOWN and placed.t - timeline.booted_at < _BOOT_SECONDS:
        return replace(placed, opens=False, dropped=False)
    return placed


def vanished(path: str, device: str, when: float, kind: str = VANISHED) -> PositionEvent:
    """Make the event of a disconnect, or a reset, that nobody reported."""
    return PositionEvent(
        t=when, path=path, device=device, kind=kind, opens=True, dropped=kind != RESETTING, lines=0, is_log_whole=False
    )
