"""The ledger: what all passes so far add up to, for those who judge. It reads nothing and judges nothing.

`update` takes a pass in; `as_state` and `from_state` carry it over a restart as plain JSON values. Everything in it is
bounded: old hours fold into days and weeks, lists forget their oldest.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from laneproof.box.link_ends import LinkOfTwo
from laneproof.box.links import describe_rate
from laneproof.box.occupants import Occupant
from laneproof.box.power_view import IdleStates, find_idle_states
from laneproof.box.topology import Topology, survey
from laneproof.declaration.build import Build
from laneproof.past.boots import BootBook
from laneproof.past.changes import Change, ChangeBook, note_declaration, note_idle_states
from laneproof.past.drives import DriveBook, DriveRecord, key_of
from laneproof.past.episodes import HEAT_LASTS_SECONDS, REENUMERATED, RESETTING, Before, Episode, EpisodeBook, vanished
from laneproof.past.joining import PositionEvent
from laneproof.past.link_errors import LinkBook, LinkNews
from laneproof.past.load import LoadRecord, Window, compare_siblings
from laneproof.past.notes import Note
from laneproof.past.presence import AWAY, HERE, LEAVING, Presence, find_presences, paths_by_name
from laneproof.past.timeline import Step, Timeline
from laneproof.past.training import TrainingBook
from laneproof.past.trials import ERRORS, TrialBook
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent
from laneproof_collectors.snapshot import HealthLog, Setting, Snapshot
from laneproof_collectors.unread import Unread

SCHEMA = 1
_HOUR = 3600.0
_DAY = 86400.0
LEAVING_SECONDS = 30.0
"""How long a driver may take to let go of a drive; a drive that hangs keeps it waiting for its time-outs. Judgement."""
_REMEMBERED = TypeVar("_REMEMBERED")

KernelNews = KernelEvents | Unread | Sequence[TimedKernelEvent]
DeviceNews = Unread | Sequence[DeviceEvent]


class LedgerStateError(ValueError):
    """A kept state cannot be used: it is of another version, or damaged."""


@dataclass(slots=True, kw_only=True)
class State:
    """Everything that the ledger keeps.

    Attributes:
        schema: Version of this form.
        timeline: Where it stands in time.
        boots: Boots, and links' limits.
        links: Errors and exposure of links.
        training: How links trained.
        drives: The drives' own accounts.
        episodes: Episodes.
        changes: What changed.
        trials: Fixes on trial.
        idle: By path, idle states in force at the last pass: of the drive, of its link.
        boot_times: When each boot began, the last ones.
        kernel_sequence: Number of the last kernel record taken in this boot; -1 for none.
        noted_until: When the last note that was taken in was told, unix seconds.
    """

    schema: int = SCHEMA
    timeline: Timeline = field(default_factory=Timeline)
    boots: BootBook = field(default_factory=BootBook)
    links: LinkBook = field(default_factory=LinkBook)
    training: TrainingBook = field(default_factory=TrainingBook)
    drives: DriveBook = field(default_factory=DriveBook)
    episodes: Annotated[EpisodeBook, Field(alias="drops")] = field(default_factory=EpisodeBook)
    changes: ChangeBook = field(default_factory=ChangeBook)
    trials: TrialBook = field(default_factory=TrialBook)
    idle: dict[str, tuple[bool | None, bool | None]] = field(default_factory=dict)
    boot_times: list[float] = field(default_factory=list)
    kernel_sequence: int = -1
    noted_until: float = 0.0


_STATE = TypeAdapter(State)


class Ledger:
    """What all passes so far add up to."""

    def __init__(self, state: State | None = None) -> None:
        """Begin empty, or with a state that was kept."""
        self._state = state or State()
        self._restored = state is not None
        self._functions: object = None
        self._controllers: object = None
        self._memory: dict[object, tuple[object, Any]] = {}
        self._reviewed_at = 0.0
        self._anew: dict[str, float] = {}
        self._disturbed: frozenset[str] = frozenset()
        self._reports: dict[str, int] = {}
        self.version = 0
        """Goes up whenever anything but time and exposure moved."""

    # --- kept over a restart ------------------------------------------------------------------------------------------

    def as_state(self) -> dict[str, Any]:
        """Give everything as plain JSON values."""
        state: dict[str, Any] = _STATE.dump_python(self._state, mode="json", exclude_defaults=True, by_alias=True)
        return {"schema": SCHEMA, **state}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> "Ledger":
        """Go on from a kept state.

        Args:
            state: What `as_state` gave.

        Raises:
            LedgerStateError: It is of another version, or damaged.
        """
        if state.get("schema") != SCHEMA:
            raise LedgerStateError(
                f"the kept ledger is of version {state.get('schema')!r}, this program reads {SCHEMA}"
            )
        try:
            return cls(_STATE.validate_python(state))
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise LedgerStateError(f"the kept ledger is damaged at {where}: {first['msg']}") from error

    # --- what it holds ------------------------------------------------------------------------------------------------

    @property
    def timeline(self) -> Timeline:
        """Where it stands in time."""
        return self._state.timeline

    @property
    def boots(self) -> BootBook:
        """Boots, and links' limits."""
        return self._state.boots

    @property
    def links(self) -> LinkBook:
        """Errors and exposure of links."""
        return self._state.links

    @property
    def training(self) -> TrainingBook:
        """How links trained."""
        return self._state.training

    @property
    def drives(self) -> DriveBook:
        """The drives' own accounts."""
        return self._state.drives

    @property
    def episodes(self) -> EpisodeBook:
        """Episodes."""
        return self._state.episodes

    @property
    def changes(self) -> ChangeBook:
        """What changed."""
        return self._state.changes

    @property
    def trials(self) -> TrialBook:
        """Fixes on trial."""
        return self._state.trials

    @property
    def now(self) -> float:
        """Ledger time of the last pass."""
        return self._state.timeline.now

    @property
    def boot_times(self) -> list[float]:
        """When each boot began, the last ones, in ledger time."""
        return self._state.boot_times

    def idle_states(self, path: str) -> IdleStates:
        """Give the idle states in force at a position."""
        drive, link = self._state.idle.get(path, (None, None))
        return IdleStates(drive=drive, link=link)

    def remember(self, key: object, version: object, compute: Callable[[], _REMEMBERED]) -> _REMEMBERED:
        """Give what was computed before for a key, as long as its version is the same."""
        known = self._memory.get(key)
        if known is not None and known[0] == version:
            return known[1]  # type: ignore[no-any-return] # of the same key, so of the same kind
        value = compute()
        self._memory[key] = (version, value)
        return value

    # --- a pass -------------------------------------------------------------------------------------------------------

    def update(  # noqa: PLR0913 (what a pass brings)
        self,
        snapshot: Snapshot,
        kernel_events: KernelNews = (),
        device_events: DeviceNews = (),
        *,
        build: Build | None = None,
        topology: Topology | None = None,
        notes: Iterable[Note] = (),
    ) -> tuple[Episode, ...]:
        """Take a pass in.

        Args:
            snapshot: The facts.
            kernel_events: Events of the kernel log since the pass before.
            device_events: Device events since then.
            build: The declaration, for what changed in it.
            topology: The same facts arranged, where somebody has done so already.
            notes: What the owner told; what was taken in before is passed over.

        Returns:
            The episodes that are new or grew in this pass.
        """
        tree = topology or survey(snapshot)
        state = self._state
        step = state.timeline.advance(
            taken_at=snapshot.taken_at, up_seconds=snapshot.up_seconds, boot_id=snapshot.boot_id
        )
        if step.first or step.rebooted:
            state.boot_times = [*state.boot_times[-100:], state.timeline.booted_at]
            state.kernel_sequence = -1
        is_new_reading = snapshot.functions is not self._functions
        state.boots.read(snapshot, tree, state.timeline, is_new_reading=is_new_reading)
        occupants = list(tree.drive_occupants())
        events, reports = self._take_events(tree, kernel_events, device_events)
        self._read_drives(snapshot, occupants)
        touched = self._follow_drops(tree, events, step)
        self._read_links(snapshot, tree, occupants, events, reports)
        self._note_changes(snapshot, tree, occupants, build, notes)
        self._review_trials(touched)
        if touched or step.rebooted:
            self.version += 1
        return tuple(touched)

    def _take_events(
        self, tree: Topology, kernel_events: KernelNews, device_events: DeviceNews
    ) -> tuple[list[PositionEvent], dict[str, int]]:
        state = self._state
        if isinstance(kernel_events, KernelEvents):
            told = kernel_events.events
            heard = kernel_events.records > 0 or any(not state.timeline.is_of_boot_before(one.boot_id) for one in told)
        else:
            told = () if isinstance(kernel_events, Unread) else tuple(kernel_events)
            heard = any(not state.timeline.is_of_boot_before(one.boot_id) for one in told)
        if heard:
            state.episodes.log_heard_in = state.timeline.boots
        fresh = [one for one in told if not self._is_old(one)]
        for one in fresh:
            state.kernel_sequence = max(state.kernel_sequence, -1 if one.sequence is None else one.sequence)
        self._restored = False
        paths = state.episodes.learn_names(paths_by_name(tree), state.timeline)
        devices = () if isinstance(device_events, Unread) else device_events
        return state.episodes.take_events(fresh, devices, paths, state.timeline)

    def _is_old(self, one: TimedKernelEvent) -> bool:
        # after a restart of the program the ring is read from its beginning, and gives again what was taken before
        return self._restored and one.sequence is not None and one.sequence <= self._state.kernel_sequence

    # --- drives ---

    def _read_drives(self, snapshot: Snapshot, occupants: Sequence[Occupant]) -> None:
        """Take in the drives' own accounts, and note whose counters began anew."""
        self._anew = {}
        windows: dict[str, tuple[LoadRecord, Window]] = {}
        is_new = snapshot.controllers is not self._controllers
        self._controllers = snapshot.controllers
        for occupant in occupants:
            record = self._state.drives.meet(occupant, self.timeline)
            if occupant.drive is not None:
                record.read_sata(occupant.drive, self.timeline)
            controller = occupant.controller
            if controller is None or not is_new or not occupant.answers:
                continue
            record.read_limits(controller)
            if isinstance(controller.health, HealthLog):
                record.read_health(controller.health, self.timeline)
            else:
                record.read_thermometer(controller, self.now)
            counted_at = record.load.at
            window, fell = record.load.read(controller, now=self.now, boot=self.timeline.boots)
            if fell:
                self._anew[occupant.path] = counted_at
            if window is not None:
                windows[record.serial] = record.load, window
                record.load.sort_by_heat(window, hot=record.is_hot())
        compare_siblings(windows, {serial: self._state.drives.records[serial].model for serial in windows})

    # --- episodes ---

    def _follow_drops(
        self,
        tree: Topology,
        events: Sequence[PositionEvent],
        step: Step,
    ) -> list[Episode]:
        episodes = self._state.episodes
        presences = {one.path: one for one in find_presences(tree)}
        is_readable = tree.unread is None and tree.controllers_unread is None
        silent = [] if step.rebooted or not is_readable else self._find_silent(tree, presences, events)
        touched = episodes.join([*events, *silent], self.timeline, self._state.boot_times)
        for episode in touched:
            self._describe(episode, step, is_silent=any(one.path == episode.path for one in silent))
        if step.rebooted and is_readable:
            missing = [
                path for path, (_, _, state) in episodes.states.items() if state == HERE and path not in presences
            ]
            self._state.training.note_missing(missing, self.timeline)
        if is_readable:
            self._note_returns(presences)
            episodes.leaving = {
                path: episodes.leaving.get(path, self.now) for path, one in presences.items() if one.state == LEAVING
            }
            episodes.states = {
                path: (one.serial or episodes.states.get(path, ("", "", ""))[0], one.name, self._state_to_keep(one))
                for path, one in presences.items()
            } | {path: (was[0], was[1], AWAY) for path, was in episodes.states.items() if path not in presences}
        return touched

    def _state_to_keep(self, here: Presence) -> str:
        """Give a drive's state; what is let go of is as it was before, until that takes longer than it should."""
        if here.state != LEAVING:
            return here.state
        episodes = self._state.episodes
        if self.now - episodes.leaving.get(here.path, self.now) >= LEAVING_SECONDS:
            return AWAY
        return episodes.states.get(here.path, ("", "", LEAVING))[2]

    def _find_silent(
        self, tree: Topology, presences: dict[str, Presence], events: Sequence[PositionEvent]
    ) -> list[PositionEvent]:
        """Find the episodes that nobody told of."""
        told = {one.path for one in events if one.opens}
        heard = self._state.episodes.log_heard_in == self.timeline.boots
        silent = []
        for path, (_, name, state) in self._state.episodes.states.items():
            here = presences.get(path)
            if state != HERE or path in told:
                continue
            if here is None:
                # gone from the tree in good order, with the log known to be read: somebody took it out
                if not heard and not tree.functions_at(path):
                    silent.append(vanished(path, name, self.now))
            elif here.state == AWAY:
                silent.append(vanished(path, name, self.now))
            elif here.state == LEAVING:
                if self._state_to_keep(here) == AWAY:
                    silent.append(vanished(path, name, self.now))
            elif here.resetting:
                silent.append(vanished(path, name, self.now, RESETTING))
            elif path in self._anew and not self._is_known_to_have_gone(path, events):
                silent.append(vanished(path, name, self.now, REENUMERATED))
        return silent

    def _is_known_to_have_gone(self, path: str, events: Sequence[PositionEvent]) -> bool:
        """Whether it is known why a drive's counters began anew since they were read last."""
        counted_at = self._anew[path]
        return any(one.path == path for one in events) or any(
            episode.path == path and episode.ended >= counted_at for episode in self._state.episodes.episodes
        )

    def _describe(self, episode: Episode, step: Step, *, is_silent: bool) -> None:
        """Note what held before an episode, once, as long as it is still known."""
        record = self._state.drives.records.get(episode.serial) or self._state.drives.at(episode.path)
        if record is not None and not episode.serial and "/" not in record.serial:
            episode.serial = record.serial
        if is_silent:
            episode.uncertain_seconds = max(episode.uncertain_seconds, step.elapsed)
        if episode.before.idle_states is None:
            episode.before.idle_states = self.idle_states(episode.path).on
        if episode.before.unsafe_shutdowns is not None or episode.before.load is not None or record is None:
            return
        moment = self._begins_before(episode)
        if moment < self.timeline.began_at:
            return  # it was over before the first reading
        _remember_drive(episode.before, record, moment)
        link = self._state.links.at(episode.path)
        if link is not None:
            episode.before.recent_errors = link.series.since(episode.dropped_at - _DAY).errors
            if link.gt_s and link.lanes:
                episode.before.trained = f"{describe_rate(link.gt_s)} x{link.lanes}"

    def _begins_before(self, episode: Episode) -> float:
        """Give the moment up to which what was read is surely from before an episode."""
        moment = episode.started - episode.uncertain_seconds
        return moment if moment < self.now else self.timeline.before

    def _note_returns(self, presences: dict[str, Presence]) -> None:
        by_serial = {one.serial: one for one in presences.values() if one.serial}
        last = {episode.path: episode for episode in self._state.episodes.episodes}
        for episode in self._state.episodes.episodes:
            if episode.power_lost is None and episode.returned_at is not None:
                self._compare_power(episode)
            one = by_serial.get(episode.serial) if episode.serial else presences.get(episode.path)
            is_here = one is not None and one.state == HERE
            if episode.returned_at is not None:
                # what the kernel tells may come before the reading that shows it: it was not back, but not yet gone
                if not is_here and episode is last[episode.path] and episode.may_grow(self.timeline):
                    episode.returned_at = episode.returned_boot = None
            elif is_here:
                episode.returned_at, episode.returned_boot = self.now, self.timeline.boots
                self._compare_power(episode)

    def _compare_power(self, episode: Episode) -> None:
        record = self._state.drives.records.get(episode.serial)
        if (
            record is None
            or record.counters_at < (episode.returned_at or 0.0)
            or record.counters_at <= episode.dropped_at
        ):
            return
        before, now = episode.before, record.counters
        told = [(old, now[name]) for name, old in _power_counts(before) if old is not None and name in now]
        moved = any(new > old for old, new in told)
        if not told or (not moved and record.counters_at <= (episode.returned_at or 0.0)):
            return  # the reading may be from before its way back; the next one tells
        if before.power_cycles is not None and "power_cycles" in now and episode.cycled is None:
            episode.cycled = now["power_cycles"] > before.power_cycles
        # across a boot the count says nothing of the moment of the episode
        episode.power_lost = moved if record.counters_boot == episode.boot else None
        if record.counters_boot != episode.boot:
            before.unsafe_shutdowns = before.power_cycles = None

    # --- links ---

    def _read_links(
        self,
        snapshot: Snapshot,
        tree: Topology,
        occupants: Sequence[Occupant],
        events: Sequence[PositionEvent],
        reports: dict[str, int],
    ) -> None:
        episodes = self._state.episodes
        self._disturbed |= {one.path for one in events if one.opens}
        self._state.links.forgive(episodes.covers)
        for path, number in reports.items():
            self._reports[path] = self._reports.get(path, 0) + number
        if snapshot.functions is self._functions or tree.unread is not None:
            return
        self._functions = snapshot.functions
        links = list(_links_with_drives(tree, occupants, self._state.drives, self.now))
        news = LinkNews(
            disturbed=self._disturbed,
            reports=self._reports,
            uncorrected=[(when, path) for when, path in episodes.uncorrected if not episodes.covers(path, when)],
            switched_off=_is_counting_switched_off(snapshot),
        )
        self._disturbed, self._reports, episodes.uncorrected = frozenset(), {}, []
        self._state.links.read(links, self.timeline, news)
        self._state.training.read(links, self.timeline)

    # --- changes and trials ---

    def _note_changes(
        self,
        snapshot: Snapshot,
        tree: Topology,
        occupants: Sequence[Occupant],
        build: Build | None,
        notes: Iterable[Note],
    ) -> None:
        book, now = self._state.changes, self.now
        boot = self._state.boots.boots[-1] if self._state.boots.boots else None
        if boot is not None:
            bios = " of ".join(word for word in (boot.bios_version, boot.bios_date) if word)
            updates = book.note("kernel", boot.kernel_release, at=now), book.note("bios", bios or None, at=now)
            if any(updates):
                self._state.links.learn_anew()
        found = note_declaration(book, build, at=now)
        found += self._note_drives(occupants)
        found += self._note_power(snapshot, tree, occupants)
        found += self._note_caps(tree)
        fresh = [one for one in notes if one.at > self._state.noted_until]
        self._state.noted_until = max((one.at for one in fresh), default=self._state.noted_until)
        found += _as_changes(fresh, build, now)
        for change in found:
            if change.path is not None:
                self._follow_change(change)

    def _note_drives(self, occupants: Sequence[Occupant]) -> list[Change]:
        book, now = self._state.changes, self.now
        found = []
        for occupant in occupants:
            serial = key_of(occupant)
            if isinstance(occupant.firmware, str):
                one = book.note("drive-firmware", occupant.firmware, at=now, serial=serial)
                if one is not None:
                    found.append(
                        Change(
                            at=now, what=one.what, before=one.before, after=one.after, path=occupant.path, serial=serial
                        )
                    )
            if "/" not in serial:
                book.note("moved", occupant.path, at=now, serial=serial)
                book.note("occupant", serial, at=now, path=occupant.path)
        return found

    def _note_power(self, snapshot: Snapshot, tree: Topology, occupants: Sequence[Occupant]) -> list[Change]:
        views = []
        for occupant in occupants:
            if occupant.controller is None:
                continue
            view = find_idle_states(snapshot, tree.link_at(occupant.path), occupant.controller)
            self._state.idle[occupant.path] = (view.drive, view.link)
            views.append((occupant.path, key_of(occupant), view))
        return note_idle_states(self._state.changes, views, at=self.now)

    def _note_caps(self, tree: Topology) -> list[Change]:
        found = []
        for path, limits in self._state.boots.limits.items():
            if limits.target_gt_s is not None and tree.functions_at(path):
                one = self._state.changes.note(
                    "link-cap", describe_rate(limits.target_gt_s), at=self.now, path=path, key=f"target {path}"
                )
                if one is not None:
                    found.append(one)
        return found

    def _follow_change(self, change: Change) -> None:
        state = self._state
        path = change.path or ""
        serial = state.links.current.get(path, "")
        state.links.learn_anew(path)
        if change.what == "parts":
            state.links.note_parts(path, self.now)
            state.training.forget(path)
        with_drive = Change(
            at=change.at,
            what=change.what,
            before=change.before,
            after=change.after,
            path=path,
            serial=change.serial or serial,
        )
        episodes = state.episodes.of(path, serial or None)
        links = state.links.of_path(path)
        if state.trials.begin(with_drive, episodes, links, now=self.now, watched_since=self.timeline.began_at):
            self.version += 1
            self._reviewed_at = 0.0

    def _review_trials(self, touched: Sequence[Episode]) -> None:
        if not touched and self.now - self._reviewed_at < _HOUR:
            return
        self._reviewed_at = self.now
        for trial in self._state.trials.open():
            before = trial.outcome
            if trial.complaint == ERRORS:
                events = sum(one.series.since(trial.began_at).marked for one in self._state.links.of_path(trial.path))
            else:
                after = self._state.episodes.of(trial.path, trial.serial or None)
                events = sum(one.dropped_at > trial.began_at for one in after)
            self._state.trials.review(trial, events=events, now=self.now)
            if trial.outcome != before:
                self.version += 1


def _remember_drive(before: Before, record: DriveRecord, moment: float) -> None:
    """Note what is known of a drive from before its episode, and of the window in which it happened."""
    load = record.load
    window, during = load.before(moment), load.during(moment)
    if window is not None:
        before.load = load.state_of(window)
        before.load_bytes_per_second = round(window.bytes_per_second)
        before.window_seconds = round(window.seconds, 3)
        before.load_age_seconds = round(moment - window.ended, 3)
    if during is not None:
        before.load_during = load.state_of(during)
    before.state_seconds = {state: round(seconds) for state, seconds in load.seconds.items()}
    reading = record.reading_before(moment)
    if reading is not None:
        before.celsius, before.warning_celsius = reading.celsius, record.warning_celsius
        before.hot = reading.hot if moment - reading.at <= HEAT_LASTS_SECONDS else None
    for name in _POWER:
        setattr(before, name, record.count_before(name, moment))


_POWER = ("unsafe_shutdowns", "power_cycles")


def _power_counts(before: Before) -> tuple[tuple[str, int | None], ...]:
    return ("unsafe_shutdowns", before.unsafe_shutdowns), ("power_cycles", before.power_cycles)


def _is_counting_switched_off(snapshot: Snapshot) -> bool:
    """Whether the command line keeps the kernel from counting; firmware that keeps errors to itself lets it count."""
    owner = None if isinstance(snapshot.power, Unread) else snapshot.power.aer_owner
    return isinstance(owner, Setting) and (owner.value, owner.origin) == ("off", "command-line")


def _links_with_drives(
    tree: Topology, occupants: Sequence[Occupant], book: DriveBook, now: float
) -> Iterable[tuple[LinkOfTwo, str, str]]:
    drives = {one.path: one for one in occupants}
    for link in tree.links():
        occupant = drives.get(link.path)
        if occupant is not None:
            serial = book.key_for(occupant, now)
            yield link, "" if "/" in serial else serial, occupant.name
        else:
            yield link, "", link.address


def _as_changes(notes: Iterable[Note], build: Build | None, now: float) -> list[Change]:
    """Take the owner's word for a change at a position."""
    found = []
    for note in notes:
        position = build.position_named(note.position) if build and note.position else None
        what = {"adapter": "parts", "cooling": "cooling"}.get(note.what)
        if position is not None and what is not None:
            found.append(Change(at=now, what=what, before="as it was", after=note.text, path=position.path))
    return found
