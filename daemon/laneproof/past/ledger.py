"""The ledger: what all passes so far add up to, for those who judge. It reads nothing and judges nothing.

`update` adds a pass; `as_state` and `from_state` carry it over a restart as plain JSON values. Everything in it is
bounded: old hours fold into days and weeks, lists forget their oldest.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

from laneproof.box.idle_states import find_idle_states
from laneproof.box.link_ends import Link
from laneproof.box.occupants import Occupant
from laneproof.box.topology import Topology, topology_of
from laneproof.declaration.build import Build
from laneproof.evidence.fix_trial import TrialOutcome
from laneproof.past.changes import (
    NotedChange,
    changes_of_notes,
    note_declaration,
    note_drives,
    note_idle_states,
    note_link_caps,
    note_software,
    paths_moved,
)
from laneproof.past.circumstances import describe_before, note_returns, note_unplugged
from laneproof.past.drive_load import LoadRecord, Window, compare_siblings
from laneproof.past.drives import KNOWN_SECONDS, DriveRecord, key_of
from laneproof.past.episodes import Episode
from laneproof.past.event_joining import PositionEvent
from laneproof.past.fix_trials import ERRORS
from laneproof.past.link_errors import LinkEvents
from laneproof.past.notes import AFTER_RUN_SECONDS, Note, ProofNote
from laneproof.past.presence import HERE, find_presences, paths_by_name
from laneproof.past.saved_state import SavedLedger, dump_state, load_state
from laneproof.past.timeline import PassTime
from laneproof.past.unreported_episodes import find_vanished, note_presences
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent
from laneproof_collectors.snapshot import GROUPS, HealthLog, Setting, Snapshot
from laneproof_collectors.unread import Unread

_HOUR = 3600.0
_REMEMBERED = TypeVar("_REMEMBERED")

KernelInput = KernelEvents | Unread | Sequence[TimedKernelEvent]
DeviceInput = Unread | Sequence[DeviceEvent]


@dataclass(slots=True, kw_only=True)
class Ledger(SavedLedger):
    """What all passes so far add up to. All kept fields are inherited; those below begin again after a restart."""

    # goes up with each new or grown episode, each reboot, each turn of a trial and each acceptance run; the causes of a
    # case are weighed again when it does (`diagnosis.finding_causes`)
    version: int = field(default=0, init=False)
    _restored: bool = field(default=False, init=False)
    _memory: dict[object, tuple[object, Any]] = field(default_factory=dict, init=False)  # version and value by key
    _reviewed_at: float = field(default=0.0, init=False)  # when the trials were last reviewed
    # Of drives whose counters began again, by path: when they were read before that.
    _restarted: dict[str, float] = field(default_factory=dict, init=False)
    # Since the links were last read: paths with an episode, and how many error reports of the log each path had.
    _disturbed: frozenset[str] = field(default=frozenset(), init=False)
    _reports: dict[str, int] = field(default_factory=dict, init=False)

    # --- kept over a restart ------------------------------------------------------------------------------------------

    def as_state(self) -> dict[str, Any]:
        """Give everything that is kept as plain JSON values."""
        return dump_state(self)

    @classmethod
    def from_state(cls, kept: dict[str, Any]) -> "Ledger":
        """Go on from what `as_state` gave.

        Raises:
            LedgerStateError: It is of another version, or damaged.
        """
        state = load_state(kept)
        ledger = cls(**{part.name: getattr(state, part.name) for part in fields(state)})
        ledger._restored = True
        return ledger

    def remember(self, key: object, version: object, compute: Callable[[], _REMEMBERED]) -> _REMEMBERED:
        """Give what was computed before for a key, as long as its version is the same."""
        known = self._memory.get(key)
        if known is not None and known[0] == version:
            return known[1]  # type: ignore[no-any-return] # of the same key, so of the same kind
        value = compute()
        self._memory[key] = (version, value)
        return value

    def add_proof(self, note: ProofNote) -> None:
        """Add that an acceptance run began, or what it showed."""
        self.loaded_until = note.at + AFTER_RUN_SECONDS if note.until is None else note.until
        for path, (serial, features) in note.features.items():
            self.experiments[path] = note.at, serial, dict(features)
            for trial in self.trials.open():
                if trial.path == path and trial.complaint == ERRORS and features.get("aer_above_siblings"):
                    trial.outcome, trial.decided_at = TrialOutcome.NOT_CURED, self.now
        self.version += 1

    @property
    def shared_serials(self) -> frozenset[str]:
        """The serial numbers that two drives share which were both here not long ago: they name neither."""
        return frozenset(serial for serial, at in self.drives.shared.items() if self.now - at <= KNOWN_SECONDS)

    # --- a pass -------------------------------------------------------------------------------------------------------

    def update(  # noqa: PLR0913 (what a pass brings)
        self,
        snapshot: Snapshot,
        kernel_events: KernelInput = (),
        device_events: DeviceInput = (),
        *,
        build: Build | None = None,
        topology: Topology | None = None,
        notes: Iterable[Note] = (),
        read_again: Collection[str] = GROUPS,
    ) -> tuple[Episode, ...]:
        """Add a pass.

        Args:
            snapshot: The facts.
            kernel_events: Events of the kernel log since the pass before.
            device_events: Device events since then.
            build: The declaration, for what changed in it.
            topology: The tree of the same snapshot, where it was made already.
            notes: What the owner wrote; what was added before is passed over.
            read_again: The groups of facts that were read in this pass.

        Returns:
            The episodes that are new or grew in this pass.
        """
        tree = topology or topology_of(snapshot)
        step = self.timeline.advance(
            taken_at=snapshot.taken_at,
            up_seconds=snapshot.up_seconds,
            boot_id=snapshot.boot_id,
            monotonic_seconds=snapshot.monotonic_seconds,
        )
        if step.first or step.rebooted:
            self.boot_times = [*self.boot_times[-100:], self.timeline.booted_at]
            if step.rebooted and self.stopped is not None:
                self.stops = [*self.stops[-100:], (self.timeline.booted_at, self.stopped)]
            self.kernel_sequence, self.kernel_until = -1, -1.0
        if step.rebooted:
            self.loaded_until = 0.0  # no run outlives its boot
        self.stopped = None
        self.boots.read(snapshot, tree, self.timeline, is_read_again="functions" in read_again)
        occupants = list(tree.drive_occupants())
        is_log_whole = _is_whole(kernel_events)
        events, reports = self._place_events(tree, kernel_events, device_events, is_log_whole=is_log_whole)
        self._read_drives(occupants, is_read_again="controllers" in read_again)
        updated = self._follow_episodes(tree, events, step, is_log_whole=is_log_whole)
        self._note_link_events(events, reports)
        if "functions" in read_again and tree.unread is None:
            self._read_links(snapshot, tree, occupants)
        self._follow_changes(snapshot, tree, occupants, build, notes)
        self._review_trials(updated)
        if updated or step.rebooted:
            self.version += 1
        return tuple(updated)

    def _place_events(
        self, tree: Topology, kernel_events: KernelInput, device_events: DeviceInput, *, is_log_whole: bool
    ) -> tuple[list[PositionEvent], dict[str, int]]:
        """Find the position of each new event, and note how far the log was read.

        Returns:
            The events, and by path how many error reports of the log there were.
        """
        if isinstance(kernel_events, KernelEvents):
            reported, is_log_read = kernel_events.events, kernel_events.records > 0
            self.kernel_until = max(self.kernel_until, kernel_events.ends_up_seconds or -1.0)
        else:
            reported, is_log_read = () if isinstance(kernel_events, Unread) else tuple(kernel_events), False
        if is_log_read or any(not self.timeline.is_of_boot_before(timed.boot_id) for timed in reported):
            self.episodes.log_read_in_boot = self.timeline.boots
        # a recording of a log that nobody could read gives no record either
        was_asked = isinstance(kernel_events, Unread | KernelEvents)
        self.episodes.is_log_unread = was_asked and self.episodes.log_read_in_boot != self.timeline.boots
        is_log_whole = is_log_whole and not self.episodes.is_log_unread
        fresh = [timed for timed in reported if not self._is_old(timed)]
        for timed in fresh:
            self.kernel_sequence = max(self.kernel_sequence, -1 if timed.sequence is None else timed.sequence)
        self._restored = False
        paths = self.episodes.learn_names(paths_by_name(tree), self.timeline)
        devices = () if isinstance(device_events, Unread) else device_events
        released = kernel_events.released if isinstance(kernel_events, KernelEvents) else ()
        return self.episodes.place_events(
            fresh,
            devices,
            paths,
            self.timeline,
            released={name: self.timeline.at(stamp) for name, stamp in released},
            is_log_whole=is_log_whole,
        )

    def _is_old(self, timed: TimedKernelEvent) -> bool:
        # after a restart of the program the ring is read from its beginning, and gives again what was added before
        return self._restored and timed.sequence is not None and timed.sequence <= self.kernel_sequence

    def _read_drives(self, occupants: Sequence[Occupant], *, is_read_again: bool) -> None:
        """Add what the drives report of themselves, and note whose counters began again."""
        self._restarted = {}
        self.drives.note_shared(occupants, self.now)
        windows: dict[str, tuple[LoadRecord, Window]] = {}
        returned: list[tuple[DriveRecord, int, float]] = []  # with the boot and the time of its last reading
        for occupant in occupants:
            record = self.drives.update(occupant, self.timeline)
            if occupant.drive is not None:
                record.read_sata(occupant.drive, self.timeline)
            controller = occupant.controller
            if controller is None or not is_read_again or not occupant.answers:
                continue
            record.read_limits(controller)
            if isinstance(controller.health, HealthLog):
                if 0 <= record.counters_boot < self.timeline.boots - 1:
                    returned.append((record, record.counters_boot, record.counters_at))
                record.read_health(controller.health, self.timeline)
            else:
                record.read_thermometer(controller, self.now)
            counted_at = record.load.at
            window, fell = record.load.read(controller, now=self.now, boot=self.timeline.boots)
            record.still.follow(controller.health, window, self.now)
            if fell:
                self._restarted[occupant.path] = counted_at
            if window is not None:
                windows[record.serial] = record.load, window
                record.load.sort_by_heat(window, hot=record.is_hot())
        for record, boot, counted_at in returned:
            if self.drives.was_without_power(record, since=counted_at):
                self.training.withdraw_missing(record.path, self.timeline, since_boot=boot)
        records = {serial: self.drives.records[serial] for serial in windows}
        resting = {
            serial for serial, record in records.items() if self.idle.get(record.path, (None, None))[0] is not False
        }
        compare_siblings(windows, {serial: record.model for serial, record in records.items()}, resting=resting)

    def _follow_episodes(
        self, tree: Topology, events: Sequence[PositionEvent], step: PassTime, *, is_log_whole: bool
    ) -> list[Episode]:
        book = self.episodes
        presences = {presence.path: presence for presence in find_presences(tree)}
        is_readable = tree.unread is None and tree.controllers_unread is None
        unreported: list[PositionEvent] = []
        if is_readable and not step.rebooted:
            unreported += find_vanished(
                book, tree, presences, events, self.timeline, restarted=self._restarted, is_log_whole=is_log_whole
            )
        updated = book.join([*events, *unreported], self.timeline)
        unreported_paths = {event.path for event in unreported}
        for episode in updated:
            describe_before(self, episode, unseen_seconds=step.elapsed if episode.path in unreported_paths else 0.0)
            note_unplugged(self, episode)
        if not is_readable:
            return updated
        if step.rebooted:
            was_here = [path for path, (_, _, state) in book.states.items() if state == HERE]
            self.training.note_missing([path for path in was_here if path not in presences], self.timeline)
        note_returns(self, presences)
        note_presences(book, presences, self.timeline, is_log_whole=is_log_whole)
        return updated

    def _note_link_events(self, events: Sequence[PositionEvent], reports: Mapping[str, int]) -> None:
        self._disturbed |= {event.path for event in events if event.opens}
        self.links.take_back_errors(self.episodes.covers)
        for path, number in reports.items():
            self._reports[path] = self._reports.get(path, 0) + number

    def _read_links(self, snapshot: Snapshot, tree: Topology, occupants: Sequence[Occupant]) -> None:
        book = self.episodes
        links = list(self._links_with_drives(tree, occupants))
        under_proof = tree.functions if snapshot.taken_at <= self.loaded_until else ()
        events = LinkEvents(
            disturbed=self._disturbed.union(under_proof),
            reports=self._reports,
            uncorrected=[(when, path) for when, path in book.uncorrected if not book.covers(path, when)],
            switched_off=_is_counting_switched_off(snapshot),
        )
        self._disturbed, self._reports, book.uncorrected = frozenset(), {}, []
        reported = {occupant.path for occupant in occupants if occupant.controller is not None}
        for link, _, _ in links:
            if link.path not in reported:  # a SATA controller or a network card: its link alone may rest
                self.idle[link.path] = (None, find_idle_states(snapshot, link, None).link)
        self.links.read(links, self.timeline, events)
        self.training.read(links, self.timeline)

    def _links_with_drives(self, tree: Topology, occupants: Sequence[Occupant]) -> Iterable[tuple[Link, str, str]]:
        drives = {occupant.path: occupant for occupant in occupants}
        for link in tree.links():
            occupant = drives.get(link.path)
            if occupant is not None:
                serial = self.drives.key_for(occupant, self.now)
                yield link, "" if "/" in serial else serial, occupant.name
            else:
                yield link, "", link.address

    def _follow_changes(
        self,
        snapshot: Snapshot,
        tree: Topology,
        occupants: Sequence[Occupant],
        build: Build | None,
        notes: Iterable[Note],
    ) -> None:
        book, now = self.changes, self.now
        if self.boots.boots and note_software(book, self.boots.boots[-1], at=now):
            self.links.learn_again()
        found = [*note_declaration(book, build, at=now), *note_drives(book, occupants, at=now)]
        views = []
        for occupant in occupants:
            if occupant.controller is not None:
                view = find_idle_states(snapshot, tree.link_at(occupant.path), occupant.controller)
                self.idle[occupant.path] = (view.drive, view.link)
                views.append((occupant.path, key_of(occupant), view))
        found += note_idle_states(book, views, at=now)
        targets = {path: limits.target_gt_s for path, limits in self.boots.limits.items() if tree.functions_at(path)}
        found += note_link_caps(book, targets, at=now)
        fresh = [note for note in notes if note.at > self.noted_until]
        self.noted_until = max((note.at for note in fresh), default=self.noted_until)
        found += changes_of_notes(fresh, build, at=now)
        for path in paths_moved(fresh, build):
            self.training.forget(path)
        for change in found:
            if change is not None and change.path is not None:
                self._follow_change(change, change.path)

    def _follow_change(self, change: NotedChange, path: str) -> None:
        serial = self.links.current.get(path, "")
        self.links.learn_again(path)
        if change.what == "parts":
            self.links.note_parts(path, self.now)
            self.training.forget(path)
        change = replace(change, serial=change.serial or serial)
        episodes, links = self.episodes.of(path, serial or None), self.links.of_path(path)
        if self.trials.begin(change, episodes, links, now=self.now, watched_since=self.timeline.began_at):
            self.version += 1
            self._reviewed_at = 0.0

    def _review_trials(self, updated: Sequence[Episode]) -> None:
        if not updated and self.now - self._reviewed_at < _HOUR:
            return
        self._reviewed_at = self.now
        for trial in self.trials.open():
            before = trial.outcome
            if trial.complaint == ERRORS:
                events = sum(link.series.since(trial.began_at).marked for link in self.links.of_path(trial.path))
            else:
                after = self.episodes.of(trial.path, trial.serial or None)
                events = sum(episode.dropped_at > trial.began_at for episode in after)
            self.trials.review(trial, events=events, now=self.now)
            if trial.outcome != before:
                self.version += 1


def _is_whole(events: KernelInput) -> bool:
    """Whether the log was read, and nothing of it was lost: only then does its silence mean that nothing happened."""
    return not isinstance(events, Unread) and not (isinstance(events, KernelEvents) and events.lost > 0)


def _is_counting_switched_off(snapshot: Snapshot) -> bool:
    """Whether the command line keeps the kernel from counting; firmware that keeps errors to itself lets it count."""
    owner = None if isinstance(snapshot.power, Unread) else snapshot.power.aer_owner
    return isinstance(owner, Setting) and (owner.value, owner.origin) == ("off", "command-line")
