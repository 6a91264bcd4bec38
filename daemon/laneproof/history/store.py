"""The store: the one writer of the history.

Rules of this module: one transaction a minute at most, unless a finding changed; what could not be written is said once
and kept in memory; nothing that goes wrong here ends the daemon. It may be asked from any thread.
"""

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from operator import attrgetter
from types import MappingProxyType
from typing import Any, Protocol, Self, TypeVar

from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.findings import Finding, FindingChange
from laneproof.history import retention
from laneproof.history.batch import Batch, highest_pass, load_ended
from laneproof.history.boots import HOLE_SECONDS, BootWriter, redate
from laneproof.history.compressed_json import pack
from laneproof.history.database import Database, Work
from laneproof.history.events import BOOTED, CLOCK_STEPPED, Event, EventWriter, from_device, from_kernel
from laneproof.history.finding_lives import FindingWriter
from laneproof.history.history import History
from laneproof.history.inventories import FEWEST_SECONDS, InventoryWriter
from laneproof.history.live_series import LiveSeries, PassMark
from laneproof.history.notes import KeptNote, is_kept, write_note
from laneproof.history.origins import DeviceMap, DeviceNames, map_devices, name_controllers
from laneproof.history.sampled_groups import SAMPLERS, sample_group
from laneproof.past.boots import describe_boot
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock
from laneproof_collectors.snapshot import NvmeController, PciFunction, Snapshot
from laneproof_collectors.unread import Unread

_log = logging.getLogger(__name__)

COMMIT_SECONDS = 60.0
HEARTBEAT_SECONDS = 300.0
"""How often it is noted that somebody watched, where nothing moved."""

TIDY_SECONDS = 3600.0
_LISTED = ("slots", "power", "firmware", "memory", "arrays", "interfaces", "bonds", "drives")
"""The groups of facts of which an inventory is made, besides NVMe controllers and PCI functions."""

Answer = TypeVar("Answer")
_Part = TypeVar("_Part")


class JudgedPass(Protocol):
    """What one pass came to, as the engine gives it."""

    @property
    def snapshot(self) -> Snapshot:
        """The facts judged."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings that stand."""

    @property
    def changes(self) -> tuple[FindingChange, ...]:
        """What changed with this pass."""


class Store(History):
    """Keeps passes, events, findings and notes, and answers for them."""

    def __init__(
        self,
        database: Database,
        *,
        hole_seconds: float = HOLE_SECONDS,
        tidies: bool = True,
        most_bytes: int | None = None,
    ) -> None:
        """Go on with a database; see `open`."""
        super().__init__(database.connection)
        self._most_bytes = most_bytes
        self._is_full = False
        self._database = database
        self._hole_seconds = hole_seconds
        self._tidies = tidies
        self._lock = threading.RLock()
        self._where: DeviceMap | None = None
        self._located: tuple[object, ...] = ()
        self._named: object = None
        self._saved: dict[str, bytes] = {}
        self._begin()

    @classmethod
    def open(
        cls, path: str, *, hole_seconds: float = HOLE_SECONDS, tidies: bool = True, most_bytes: int | None = None
    ) -> Self:
        """Open the history to write it; it always opens, if need be in memory.

        Args:
            path: The file, or ``:memory:``.
            hole_seconds: How far apart two passes are at most without a gap between them.
            tidies: Whether what is old is folded and dropped; a recording's frames are all kept.
            most_bytes: How large it may become; None for no limit.
        """
        return cls(Database(path), hole_seconds=hole_seconds, tidies=tidies, most_bytes=most_bytes)

    @property
    def in_memory(self) -> bool:
        """Whether the file cannot be used at present."""
        return self._database.in_memory

    @property
    def locked_out(self) -> bool:
        """Whether another process writes to the file."""
        return self._database.locked_out

    def start_over(self, error: Exception) -> None:
        """Set the file aside, since what stands in it cannot be used, and begin a new one."""
        with self._lock:
            self._database.start_over(error)
            self._load()

    def _begin(self) -> None:
        """Take up what the database holds; what it does not hold any more is written again with the next pass."""
        try:
            self._load()
        except Exception as error:  # noqa: BLE001 (whatever stands in a damaged row, the watch goes on)
            self.start_over(error)

    def _load(self) -> None:
        connection = self._connection = self._database.connection
        self._batch = Batch(connection)
        self._boots = BootWriter(connection, last_pass=highest_pass(connection), hole_seconds=self._hole_seconds)
        self._live = LiveSeries(self._batch, load_ended(connection, self._boots.last_boot))
        self._findings = FindingWriter(connection)
        self._events = EventWriter(connection)
        self._inventories = InventoryWriter(connection)
        self._facts: dict[str, object] = {}
        self._listed: Snapshot | None = None
        self._is_first = True
        self._mark: PassMark | None = None
        self._committed_up = self._looked_up = self._tidied_up = float("-inf")

    # --- adding -------------------------------------------------------------------------------------------------------

    def add_pass(self, judged: JudgedPass) -> None:
        """Add one pass: what moved, which findings changed, and what else is new."""
        with self._lock:
            snapshot = judged.snapshot
            if step := self._boots.clock_step(snapshot):
                self._redate(step, snapshot)
            mark = self._mark = self._begin_pass(snapshot)
            self._keep_samples(snapshot, mark, urgent=bool(judged.changes))
            self._findings.write(judged.findings, judged.changes, mark.boot, mark.t, self._batch)
            self._keep_inventory(snapshot, mark, urgent=bool(judged.changes))
            self._commit_if_due(mark, urgent=bool(judged.changes))

    def add_events(self, events: Iterable[Event]) -> None:
        """Add what happened; it is written with the next commit."""
        with self._lock:
            for event in events:
                self._events.write(event, self._boots.boot, self._batch)

    def add_kernel_events(
        self, reports: Iterable[TimedKernelEvent], clock: Clock, paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        """Add what the kernel logged: in this boot, or in an earlier one, of which `paths` has where its names led."""
        names, earlier = self._names(), DeviceNames(paths=paths)
        with self._lock:
            for report in reports:
                event = from_kernel(report, clock=clock, names=names if report.boot_id is None else earlier)
                boot = self._boots.boot if report.boot_id is None else self._boots.find(report.boot_id)
                slept = max(0.0, clock.up_seconds - clock.kernel_seconds) if report.boot_id is None else 0.0
                self._events.write_logged(event, boot, self._batch, slept_seconds=slept)

    def add_device_events(self, events: Iterable[DeviceEvent], clock: Clock) -> None:
        """Add which devices came and went."""
        names = self._names()
        self.add_events(from_device(event, clock=clock, names=names) for event in events)

    def add_note(self, note: KeptNote) -> bool:
        """Add the owner's note, at once; whether it was not there yet."""
        with self._lock:
            if self._ask(lambda connection: is_kept(connection, note)):
                return False
            write_note(note, self._batch)
            self._commit()
        return True

    def save_state(self, name: str, value: Mapping[str, Any]) -> None:
        """Save a JSON value under a name, instead of the one before; written with the next commit."""
        packed = pack(value)
        with self._lock:
            if self._saved.get(name) != packed:
                self._saved[name] = packed
                self._batch.add("INSERT OR REPLACE INTO state (name, content) VALUES (?, ?)", (name, packed))

    def reconcile(self) -> None:
        """Compare the kept findings with the next pass, since passes were left out."""
        with self._lock:
            self._findings.reconcile()

    def flush(self) -> None:
        """Write all that waits."""
        with self._lock:
            self._commit()

    def close(self) -> None:
        """Write all that waits, the last values too, and close."""
        with self._lock:
            self._live.settle()
            self._commit()
            self._database.close()

    # --- one pass -----------------------------------------------------------------------------------------------------

    def _begin_pass(self, snapshot: Snapshot) -> PassMark:
        if self._boots.is_new_boot(snapshot):
            self._live.end_boot()
            self._facts = {}
        mark, is_new = self._boots.begin_pass(snapshot, self._batch)
        if is_new:
            self._committed_up = self._looked_up = self._tidied_up = float("-inf")
            self._events.write(_booted(snapshot), mark.boot, self._batch)
        return mark

    def _redate(self, step: float, snapshot: Snapshot) -> None:
        """The clock was set: what this boot noted by the wrong clock gets its true date."""
        boot = self._boots.last_boot
        self._live.settle()
        self._commit()
        if boot is not None:
            self._write(lambda connection: redate(connection, boot, step))
        self._boots.clock_was_set(step)
        how = "on" if step > 0 else "back"
        text = f"the clock was set {how} by {abs(step):.0f} s"
        self._events.write(
            Event(t=snapshot.taken_at, kind=CLOCK_STEPPED, text=text, up_seconds=snapshot.up_seconds), boot, self._batch
        )

    def _keep_samples(self, snapshot: Snapshot, mark: PassMark, *, urgent: bool) -> None:
        before, where = self._where, self._map_devices(snapshot)
        moved = before is None or (before.positions, before.serials) != (where.positions, where.serials)
        for group in SAMPLERS:
            facts = getattr(snapshot, group)
            if facts is self._facts.get(group) and not moved:
                if urgent:
                    self._live.settle(group)
                continue  # not read again since the last pass
            self._facts[group] = facts
            samples = sample_group(snapshot, group, where)
            self._live.add(group, samples, mark, urgent=urgent, was_read=not isinstance(facts, Unread))
        if self._is_first:
            self._live.end_unseen(mark)
            self._is_first = False

    def _map_devices(self, snapshot: Snapshot) -> DeviceMap:
        sources, named = (snapshot.functions, snapshot.drives, snapshot.firmware), name_controllers(snapshot)
        if (
            self._where is None
            or named != self._named
            or any(a is not b for a, b in zip(sources, self._located, strict=True))
        ):
            self._where, self._located, self._named = map_devices(snapshot, self._where), sources, named
        return self._where

    def _names(self) -> DeviceNames:
        return DeviceNames() if self._where is None else self._where.names

    def _keep_inventory(self, snapshot: Snapshot, mark: PassMark, *, urgent: bool) -> None:
        if not urgent and mark.up - self._looked_up < FEWEST_SECONDS:
            return
        if self._listed is not None and _is_inventory_unchanged(snapshot, self._listed):
            return
        self._looked_up, self._listed = mark.up, snapshot
        for event in self._inventories.write(make_inventory(None, snapshot), mark, self._batch):
            self._events.write(event, mark.boot, self._batch)

    # --- writing ------------------------------------------------------------------------------------------------------

    def _ask(self, question: Callable[[sqlite3.Connection], Answer]) -> Answer:
        with self._lock:
            self._commit()
            return question(self._database.connection)

    def _commit_if_due(self, mark: PassMark, *, urgent: bool) -> None:
        waited = mark.up - self._committed_up
        if urgent or waited >= HEARTBEAT_SECONDS or (waited >= COMMIT_SECONDS and not self._batch.is_empty):
            self._commit()
        if self._tidies and mark.up - self._tidied_up >= TIDY_SECONDS:
            self._tidied_up = mark.up
            self._write(lambda connection: retention.tidy(connection, now=mark.t))
            self._keep_to_size()

    def _keep_to_size(self) -> None:
        """Drop the oldest where the history would be larger than its owner allows; the first time is reported."""
        most = self._most_bytes
        if most is None or retention.used_bytes(self._database.connection) <= most:
            return
        self._write(lambda connection: retention.drop_to_size(connection, most_bytes=most))
        if not self._is_full:
            self._is_full = True
            _log.warning(
                "the history has grown to its limit of %d MiB: from now on its oldest detail goes, but not what "
                "stands, nor your notes; history_mebibytes in service.toml sets the limit",
                most >> 20,
            )

    def _commit(self) -> None:
        mark = self._mark
        if mark is not None and (not self._batch.is_empty or mark.up - self._committed_up >= HEARTBEAT_SECONDS):
            self._committed_up = mark.up
            self._boots.heartbeat(self._batch)
        if self._batch.is_empty:
            return
        if self._write(self._batch.write):
            self._batch.clear()

    def _write(self, work: Work) -> bool:
        """Do one transaction; False where a new database was begun and what waited is void."""
        try:
            if self._database.write(work):
                return True
        except sqlite3.Error:
            _log.exception("a minute of history could not be written and is left out")
            return True
        self._begin()
        return False


def _is_inventory_unchanged(snapshot: Snapshot, listed: Snapshot) -> bool:
    """Whether the inventory must be the same: of what it is made of nothing changed but a drive's own counts."""
    return all(getattr(snapshot, group) is getattr(listed, group) for group in _LISTED) and (
        _are_parts_unchanged(snapshot.controllers, listed.controllers, _without_counts)
        and _are_parts_unchanged(snapshot.functions, listed.functions, _without_errors)
    )


def _are_parts_unchanged(
    now: tuple[_Part, ...] | Unread, before: tuple[_Part, ...] | Unread, without_counts: Callable[[_Part], object]
) -> bool:
    if isinstance(now, Unread) or isinstance(before, Unread):
        return now is before
    return now is before or list(map(without_counts, now)) == list(map(without_counts, before))


_without_errors = attrgetter(*(part.name for part in fields(PciFunction) if not part.name.startswith("aer")))


def _without_counts(controller: NvmeController) -> tuple[object, ...]:
    names = tuple((namespace.name, namespace.size_bytes) for namespace in controller.namespaces)
    return (
        controller.name, controller.address, controller.path, controller.state, controller.model, controller.serial,
        controller.firmware, controller.identity, names,
    )  # fmt: skip


def _booted(snapshot: Snapshot) -> Event:
    boot = describe_boot(snapshot, snapshot.taken_at)
    facts = {"kernel": boot.kernel_release, "BIOS": boot.bios_version}
    known = ", ".join(f"{name} {value}" for name, value in facts.items() if value is not None)
    text = f"the machine was started{': ' if known else ''}{known}"
    return Event(t=snapshot.taken_at - snapshot.up_seconds, kind=BOOTED, text=text, up_seconds=0.0)
