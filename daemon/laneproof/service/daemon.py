"""The daemon: an object with `run` and `close` that reads, judges and publishes until it is stopped.

One loop, in the thread that calls `run`, owns the engine and all state. Each pass of a collector runs in a thread of
its own and hands its facts back, so that one that never comes back blocks nobody and does not keep the process
from ending; the HTTP server reads what was status and never touches hardware.
"""

import contextlib
import logging
import os
import queue
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from threading import RLock, Thread
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from laneproof.engine import LIVE_CONFIRMATIONS, STATE_NAME, Engine, PassResult
from laneproof.findings import Change, FindingChange, Severity, verdict
from laneproof.history.events import RECORDS_LOST, Event
from laneproof.history.notes import KeptNote
from laneproof.history.recent_readings import RecentReadings
from laneproof.history.store import Store
from laneproof.outputs.change_line import write_change_line
from laneproof.past.timeline import LATE_SECONDS
from laneproof.proof.last_proven import find_latest
from laneproof.proof.run_record import ProofRun
from laneproof.rules.drives.episode_series import describe_episode
from laneproof.service.background_writer import BackgroundWriter
from laneproof.service.declaration_file import STATE_NAME as DECLARATION
from laneproof.service.declaration_file import DeclarationFile
from laneproof.service.evidence_folder import find_carrying_drives
from laneproof.service.evidence_ring import EvidenceRing
from laneproof.service.journal_reader import BOOT_BEFORE, JournalAnswer, JournalReader, LastRead
from laneproof.service.log_lines import NOTICE
from laneproof.service.owner_notes import find_proofs, find_runs, sort_notes
from laneproof.service.pending_events import PendingEvents
from laneproof.service.schedule import Schedule
from laneproof.service.status import MOST_RECENT, CollectorRun, DaemonStatus
from laneproof.service.systemd_notify import SystemdNotifier
from laneproof_collectors.collection import Collector, assemble, make_collectors, read_fenced
from laneproof_collectors.host import Host
from laneproof_collectors.hotplug import read_device_events
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent, read_kernel_events
from laneproof_collectors.unread import Reason, Unread, if_read

if TYPE_CHECKING:
    from laneproof_collectors.questions import Clock

_log = logging.getLogger(__name__)

HASTENED_BY_EVENTS = ("functions", "controllers", "arrays", "interfaces", "bonds", "drives")
"""What is read at once when the kernel adds or removes a device."""
CONFIRM_AFTER_SECONDS = 1.0
"""How soon a finding that waits for confirmation is read again."""
SETTLE_SECONDS = 0.1
"""A device's events come in a burst; the pass that they start waits for its end."""
GATHER_SECONDS = 0.03
"""The lines of one report come one by one, and a flood by the thousand: what comes together is read together."""
LONGEST_WAIT_SECONDS = 5.0
JOURNAL_SECONDS = 10.0
"""How long the first judgement waits for what is read back from the journal: it belongs before all other events."""
SAVE_SECONDS, URGENT_SAVE_SECONDS = 300.0, 10.0
"""How often what the passes add up to is saved; after a crash the program goes on from there."""
_LEVELS = {Severity.CRITICAL: logging.CRITICAL, Severity.WARNING: logging.WARNING, Severity.NOTICE: NOTICE}


class Daemon:
    """The service, for as long as it runs."""

    def __init__(  # noqa: PLR0913 (its parts, each replaceable in a test)
        self,
        host: Host,
        declaration: DeclarationFile,
        *,
        writer: Store | BackgroundWriter,
        engine: Engine | None = None,
        collectors: tuple[Collector, ...] | None = None,
        notifier: SystemdNotifier | None = None,
        report: Callable[[FindingChange], None] | None = None,
        recent: Iterable[FindingChange] = (),
        take_notes: Callable[[], Iterable[KeptNote]] = tuple,
        ring: EvidenceRing | None = None,
        proofs: Iterable[ProofRun] = (),
    ) -> None:
        """Make it; nothing is read before `run`.

        Args:
            host: The machine.
            declaration: The declaration's file.
            writer: Where passes are kept.
            engine: An engine that knows earlier passes; None for a new one.
            collectors: The collectors; None for all of them.
            notifier: The service manager; None for the one in the environment.
            report: Called with each change of a finding; None writes it to the log.
            recent: Changes of findings in earlier runs, the newest last.
            take_notes: Gives the owner's notes that were kept since the last time.
            ring: Where evidence of disconnects is written at once; None for nowhere.
            proofs: The acceptance runs that were kept.
        """
        self._host = host
        self._declaration = declaration
        self._writer = writer
        self._engine = engine or Engine(None, confirmations=LIVE_CONFIRMATIONS)
        self._collectors = {collector.group: collector for collector in collectors or make_collectors()}
        self._notifier = notifier or SystemdNotifier(os.environ)
        self._report = report or _log_change
        self._schedule = Schedule(
            {collector.group: collector.interval_seconds for collector in self._collectors.values()}
        )
        self._done: queue.SimpleQueue[tuple[str, object, float]] = queue.SimpleQueue()
        self._facts: dict[str, Any] = {}
        self._read_again: set[str] = set()
        self._pending = PendingEvents()
        self._take_notes = take_notes
        self._ring, self._recent = ring, RecentReadings()
        self._journal = JournalReader(host, self._wake)
        self._last_read = LastRead.of(self._engine.past.ledger)
        self._early_events: list[tuple[tuple[TimedKernelEvent, ...], Clock, Mapping[str, str]]] = []
        self._began, self._lost = 0.0, 0
        self._disconnected: dict[int, str] = {}  # path by number of the episode
        self._saved_at = float("-inf")
        self._wake_read, self._wake_write = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        self._closing = RLock()  # a signal may come while the loop itself is waking
        self._stopping = self._reload_wanted = self._closed = self.starts_again = False
        self.status = DaemonStatus(
            alive_at=time.monotonic(), recent=tuple(recent)[: -MOST_RECENT - 1 : -1], proofs=find_latest(proofs)
        )

    # --- what may be called from elsewhere (signal handlers, other threads) ---------------------------------------

    def stop(self, *, starts_again: bool = False) -> None:
        """End `run` soon, for good or to be started again at once."""
        self.starts_again = starts_again
        self._stopping = True
        self._wake()

    def reload(self) -> None:
        """Read the declaration again soon."""
        self._reload_wanted = True
        self._wake()

    def _wake(self) -> None:
        # A late collector may come back after the end, when the descriptor's number belongs to another file.
        with self._closing, contextlib.suppress(BlockingIOError):  # a full pipe wakes as well
            if not self._closed:
                os.write(self._wake_write, b"!")

    # --- the loop -------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Read, judge and publish until `stop` is called."""
        self._load_build()
        self._began = time.monotonic()
        self._journal.begin(self._last_read)
        while not self._stopping:
            now = time.monotonic()
            self.status = replace(self.status, alive_at=now)
            self._notifier.alive(now)
            self._start_collectors(now)
            if self._host.wait(min(self._schedule.seconds_to_next(now), LONGEST_WAIT_SECONDS), self._wake_read):
                time.sleep(GATHER_SECONDS)
            self._drain_wakes()
            if self._reload_wanted or self._declaration.has_changed():
                self._reload()
            self._read_events()
            came = self._collect_journal()
            if self._collect_facts() or came:
                self._judge()
        self._notifier.stopping()
        _log.info("the watch stops: %s", self._describe())

    def close(self) -> None:
        """Release everything; a collector that hangs is left to the process's end."""
        with self._closing:
            self._closed = True
            os.close(self._wake_read)
            os.close(self._wake_write)
        self._host.close()
        if self.status.last_pass is not None:
            # after a fault of its own the watch may stay away, and how the machine stops is then not known
            self._writer.save_state(STATE_NAME, self._engine.as_state(stopped=True if self._stopping else None))
        if self._ring is not None:
            self._ring.close()
        self._writer.close()
        self._notifier.close()

    def _drain_wakes(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while os.read(self._wake_read, 4096):
                pass

    def _reload(self) -> None:
        self._reload_wanted = False
        is_up = self.status.last_pass is not None  # before that the service manager waits for its first word
        if is_up:
            self._notifier.reloading()
        self._load_build()
        if is_up:
            self._notifier.ready(self._describe())

    def _load_build(self) -> None:
        """Put the declaration in force; a wrong one, or one that is gone, is reported and leaves the old one."""
        declaration = self._declaration
        declaration.read()
        if declaration.problem is not None:
            stays = "the last good one stays in force" if declaration.build else "none is in force"
            _log.error("the declaration was not loaded, %s: %s", stays, declaration.problem)
        elif declaration.build is None:
            _log.log(NOTICE, "no declaration is in force: only what needs none is judged")
        else:
            where = f" at {declaration.path}" if declaration.path else ""
            _log.info("in force: the declaration of %s%s", declaration.build.box.name, where)
        self._engine.build, self._engine.declaration_problem = declaration.build, declaration.problem
        self.status = replace(self.status, build=declaration.build, build_problem=declaration.problem)
        if (state := declaration.as_state()) is not None:
            self._writer.save_state(DECLARATION, state)
        if self.status.last_pass is not None:
            self._judge()

    def _start_collectors(self, now: float) -> None:
        for group in self._schedule.take_due(now):
            collector = self._collectors[group]
            thread = Thread(target=self._run_collector, args=(collector,), name=f"collector-{group}", daemon=True)
            try:
                thread.start()
            except RuntimeError as error:  # the system gives no thread
                self._done.put((group, Unread(group, f"it could not be read: {error}", Reason.EXHAUSTED), 0.0))

    def _run_collector(self, collector: Collector) -> None:
        started = time.monotonic()
        facts = read_fenced(collector, self._host)
        self._done.put((collector.group, facts, time.monotonic() - started))
        self._wake()

    def _read_events(self) -> None:
        """Read the kernel's events; a drive in trouble, or a device that came or went, starts a pass at once."""
        kernel, devices = read_kernel_events(self._host), read_device_events(self._host)
        read_at = time.monotonic()
        has_lost = not isinstance(kernel, Unread) and self._journal.has_lost(kernel, self._last_read)
        if not isinstance(kernel, Unread) and not has_lost:
            kernel = kernel._replace(lost=0)  # what the run before has read
        self._pending.add(kernel, devices)
        if self._ring is not None:
            lines = self._recent.add_events(
                () if isinstance(kernel, Unread) else kernel.events,
                if_read(devices),
                self._host.clock(),
                is_urgent=self._pending.is_urgent,
            )
            self._ring.put(lines, read_at=read_at)
        if not isinstance(kernel, Unread):
            self._add_kernel_events(kernel.events)
            if has_lost:
                self._note_lost_records(kernel)
        if not isinstance(devices, Unread) and devices:
            self._writer.add_device_events(devices, self._host.clock())
        if self._pending.is_urgent:
            self._schedule.hasten(HASTENED_BY_EVENTS, at=time.monotonic() + SETTLE_SECONDS)

    def _add_kernel_events(
        self, events: tuple[TimedKernelEvent, ...], paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        """Keep events; those before the first pass wait for it, since only it shows which position a name means."""
        if not events:
            return
        if self.status.last_pass is None:
            self._early_events.append((events, self._host.clock(), paths))
        else:
            self._writer.add_kernel_events(events, self._host.clock(), paths)

    def _note_lost_records(self, kernel: KernelEvents) -> None:
        """Records were overwritten before they were read: the journal may have kept them."""
        self._lost += kernel.lost
        self.status = replace(self.status, lost_records=self.status.lost_records + kernel.lost)
        self._journal.ask_this_boot(self._last_read, self._pending.kernel_events)

    def _collect_journal(self) -> bool:
        """Collect what the journal had; whether there is anything to judge."""
        found = self._journal.collect()
        for answer in found:
            is_before = answer.boot == BOOT_BEFORE
            paths = self._find_names_before() if is_before and answer.to_judge else {}
            self._add_kernel_events((*answer.to_judge, *answer.to_report), paths)
            if self.status.last_pass is None:
                self._pending.add_missed(answer.to_judge)
            elif not is_before:  # what comes too late to be put in its order judges nothing
                oldest = self._host.clock().kernel_seconds - LATE_SECONDS
                self._pending.add_missed(
                    tuple(event for event in answer.to_judge if (event.up_seconds or 0.0) >= oldest)
                )
            if not is_before:
                if answer.problem is None and not self._journal.is_behind:
                    self._pending.note_made_up()
                self._report_lost(answer)
            elif answer.problem is not None:
                _log.info("what the boot before said last is not known: %s", answer.problem)
        return bool(found)

    def _find_names_before(self) -> dict[str, str]:
        """Give which position each name of the boot before meant: the ledger's own until its first pass in this one."""
        ledger = self._engine.past.ledger
        return dict(ledger.episodes.names if self.status.last_pass is None else ledger.episodes.older_names)

    def _report_lost(self, found: JournalAnswer) -> None:
        """Report in the history how many records were lost, and whether the journal had them."""
        clock = self._host.clock()
        had = (
            f"the journal could not be read: {found.problem}"
            if found.problem is not None
            else f"events among them that the journal had: {len(found.to_judge)}"
        )
        text = f"{self._lost} records of the kernel's log were overwritten before they were read; {had}"
        _log.warning("%s", text)
        self._lost = 0
        self._writer.add_events(
            (Event(t=clock.unix_seconds, kind=RECORDS_LOST, text=text, up_seconds=clock.up_seconds),)
        )

    def _collect_facts(self) -> bool:
        """Collect the facts that workers brought, note who stays away, and say whether it is time to judge."""
        read_again = set()
        now = time.monotonic()
        clock = self._host.clock()
        runs = dict(self.status.runs)
        for _ in range(self._done.qsize()):  # nobody else takes from it
            group, facts, seconds = self._done.get()
            self._schedule.came_back(group, now)
            self._facts[group] = facts
            failed = isinstance(facts, Unread)
            runs[group] = CollectorRun(finished_at=clock.unix_seconds, seconds=seconds, failed=failed)
            read_again.add(group)
        overdue = self._schedule.find_overdue(now)
        is_overdue_since_now = overdue.keys() - self.status.overdue.keys()
        for group in is_overdue_since_now:
            _log.warning("the collector of %s has not answered for %.0f s; the others go on", group, overdue[group])
            why = f"its collector has not answered for {overdue[group]:.0f} s"
            self._facts[group] = Unread(group, why, Reason.TIMED_OUT)
            read_again.add(group)
        complete = self._facts.keys() >= self._collectors.keys()
        self.status = replace(self.status, runs=runs, overdue=overdue, complete=complete)
        self._read_again |= read_again
        return self._schedule.take_together(now) or bool(is_overdue_since_now)

    def _judge(self) -> None:
        if not self.status.complete:
            return  # before each collector has answered once, "not read yet" would be reported as a fault
        was_ready = self.status.last_pass is not None
        if not was_ready and self._journal.is_away and time.monotonic() - self._began < JOURNAL_SECONDS:
            return
        self._read_notes()
        snapshot, read_again = assemble(self._facts, self._host.clock()), frozenset(self._read_again)
        self._read_again.clear()
        result = self._engine.observe(snapshot, *self._pending.drain(), read_again=read_again)
        if result.waiting:
            self._schedule.hasten(("functions",), at=time.monotonic() + CONFIRM_AFTER_SECONDS)
        counts = Counter(self.status.changes)
        counts.update((str(event.change), str(event.finding.severity)) for event in result.changes)
        recent = (*reversed(result.changes), *self.status.recent)[:MOST_RECENT]
        self._disconnected |= {
            episode.number: episode.path for episode in result.episodes if episode.dropped and not episode.asked
        }
        disconnects = Counter(self._disconnected.values())
        for position in self.status.build.position if self.status.build else ():
            disconnects.setdefault(position.path, 0)
        self.status = replace(
            self.status,
            last_pass=result,
            changes=counts,
            recent=recent,
            disconnects=disconnects,
            judged_at=time.monotonic(),
        )
        self._write_evidence(result)
        self._writer.add_pass(result)
        for early in self._early_events:
            self._writer.add_kernel_events(*early)
        self._early_events.clear()
        self._last_read = LastRead.of(self._engine.past.ledger)
        self._save_state(urgent=bool(result.changes or result.episodes))
        for change in result.changes:
            self._report(change)
        if not was_ready:
            self._notifier.ready(self._describe())
            _log.info("first verdict: %s", self._describe())
            self._say_where_evidence_lies(result)
        elif result.changes:
            self._notifier.status(self._describe())

    def _write_evidence(self, result: PassResult) -> None:
        """Hold the pass's readings; while something goes on, write them and the disconnects that they belong to."""
        ledger = self._engine.past.ledger
        if self._ring is None:
            return
        build = self._engine.build
        labels = {position.path: position.label for position in build.position} if build else {}
        episodes = [
            {
                "position": labels.get(episode.path),
                "path": episode.path,
                "drive": episode.serial,
                "device": episode.device,
            }
            | describe_episode(ledger, episode)
            for episode in result.episodes
        ]
        self._ring.put(self._recent.add_pass(result.snapshot, episodes))
        self.status = replace(self.status, ring=self._ring.state)

    def _say_where_evidence_lies(self, result: PassResult) -> None:
        if self._ring is None:
            return
        carriers = find_carrying_drives(os.path.realpath(self._ring.state.folder), self._engine.build, result.snapshot)
        if carriers:
            _log.warning(
                "the evidence of disconnects lies on %s and goes with it; name a folder elsewhere in the settings: "
                'evidence = "..."',
                ", ".join(carriers),
            )

    def _read_notes(self) -> None:
        """Give the engine the owner's notes that were kept since the pass before."""
        if left := tuple(self._take_notes()):
            build = self._engine.build
            notes, confirmed = sort_notes(left, tuple(position.label for position in build.position) if build else ())
            self._engine.add_notes(notes=notes, confirmed=confirmed)
            for proof in find_proofs(left):
                self._engine.add_proof(proof)
            self.status = replace(self.status, proofs=find_latest((*self.status.proofs, *find_runs(left))))

    def _save_state(self, *, urgent: bool) -> None:
        """Save what the passes add up to: now and then, and soon after something happened."""
        now = time.monotonic()
        if now - self._saved_at >= (URGENT_SAVE_SECONDS if urgent else SAVE_SECONDS):
            self._saved_at = now
            self._writer.save_state(STATE_NAME, self._engine.as_state(stopped=False))

    def _describe(self) -> str:
        result, problem = self.status.last_pass, self.status.build_problem
        if problem is not None:
            stays = "the last good one stays" if self.status.build else "none is in force"
            return f"declaration not loaded, {stays}: {problem.splitlines()[0]}"
        if result is None:
            return "first pass"
        said, count = verdict(result.findings, declared=self.status.build is not None), len(result.findings)
        return f"{said}; {count} finding{'s' if count > 1 else ''}" if count else said


def _log_change(change: FindingChange) -> None:
    is_quiet = change.change is Change.CLEARED or change.finding.accepted is not None
    level = logging.INFO if is_quiet else _LEVELS[change.finding.severity]
    _log.log(level, "%s", write_change_line(change))


def handle_signals(daemon: Daemon) -> Mapping[int, Any]:
    """Let SIGTERM and SIGINT stop the daemon, and SIGHUP make it read its declaration again.

    Returns:
        The handlers that were there before.
    """
    before = {}
    for number, act in (
        (signal.SIGTERM, daemon.stop),
        (signal.SIGINT, daemon.stop),
        (signal.SIGHUP, daemon.reload),
    ):
        before[int(number)] = signal.signal(number, lambda *_, act=act: act())
    return before
