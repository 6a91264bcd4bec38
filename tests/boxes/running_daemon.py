"""The daemon over a simulated box: a real loop with real threads, its declaration in a temporary folder."""

import json
import threading
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from boxes import recorded_box
from boxes.recorded_box import make_box
from boxes.turned_box_host import TurnedBoxHost
from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from laneproof.engine import LIVE_CONFIRMATIONS, Engine, PassResult
from laneproof.findings import FindingChange
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.service.background_writer import BackgroundWriter
from laneproof.service.daemon import Daemon
from laneproof.service.declaration_file import DeclarationFile
from laneproof.service.evidence_ring import EvidenceRing
from laneproof.service.owner_notes import Inbox
from laneproof.service.systemd_notify import SystemdNotifier
from laneproof_collectors.collection import make_collectors
from laneproof_collectors.hotplug import DeviceEvent
from laneproof_collectors.kernel_log.reading import TimedKernelEvent
from laneproof_collectors.questions import Clock
from support.waiting import PATIENCE_SECONDS, wait_for

DROPPED = "4,900,10000000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"
BUILD = f"""{recorded_box.BUILD}
[[position]]
label = "riser-2"
path = "0000:00/01.2"
link = {{ generation = 4, lanes = 4 }}
occupant = {{ kind = "nvme", serial = "A2" }}
"""


class MemoryWriter(BackgroundWriter):
    """Keeps passes in a list."""

    def __init__(self) -> None:
        self.kept: list[PassResult] = []
        self.reported: list[str] = []
        self.paths: list[Mapping[str, str]] = []
        self.happened: list[Event] = []
        self.saved: dict[str, Any] = {}
        self.notes: list[KeptNote] = []
        self.closed = False

    def add_pass(self, result: PassResult) -> None:
        self.kept.append(result)

    def add_kernel_events(
        self, reports: Iterable[TimedKernelEvent], clock: Clock, paths: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self.reported += [report.event.kind for report in reports]
        self.paths.append(paths)
        assert clock.unix_seconds > 0
        assert self.kept  # before the first pass nobody knows where a name leads

    def add_events(self, events: Iterable[Event]) -> None:
        self.happened += events

    def add_device_events(self, events: Iterable[DeviceEvent], clock: Clock) -> None:
        self.reported += [event.action for event in events]
        assert clock.unix_seconds > 0

    def save_state(self, name: str, value: Mapping[str, Any]) -> None:
        self.saved[name] = json.loads(json.dumps(value))

    def take_notes(self, inbox: Inbox) -> tuple[KeptNote, ...]:
        taken = inbox.read() or ()
        self.notes += taken
        inbox.clear()
        return taken

    def reconcile(self) -> None:
        raise AssertionError("nothing was left out")

    def close(self) -> None:
        self.closed = True


def load(path: str) -> tuple[str, Build] | None:
    """Read a declaration, as the service does."""
    file = Path(path)
    return (file.read_text(), parse_build(file.read_text(), name=path)) if file.exists() else None


class Rig:
    """A daemon that runs in a thread, with everything around it at hand."""

    def __init__(
        self,
        folder: Path,
        *,
        interval: float = 0.1,
        notifier: SystemdNotifier | None = None,
        engine: Engine | None = None,
        boot: int = 1,
    ) -> None:
        self.file = folder / "build.toml"
        self.file.write_text(BUILD)
        box = make_box(2)
        box.boot_number = boot
        self.box, self.host, self.writer = box, TurnedBoxHost(box), MemoryWriter()
        self.changes = list[FindingChange]()
        self.evidence = folder / "evidence"
        self.daemon = Daemon(
            self.host,
            DeclarationFile(str(self.file), load),
            writer=self.writer,
            engine=engine or Engine(None, confirmations=LIVE_CONFIRMATIONS),
            collectors=tuple(replace(collector, interval_seconds=interval) for collector in make_collectors()),
            notifier=notifier or SystemdNotifier({}),
            report=self.changes.append,
            take_notes=partial(self.writer.take_notes, Inbox(folder)),
            ring=EvidenceRing(str(self.evidence)),
        )
        self.thread = threading.Thread(target=self.daemon.run, daemon=True)
        self.has_ended = False

    def start(self) -> "Rig":
        self.thread.start()
        wait_for(lambda: self.writer.kept)  # published a moment before
        return self

    def end(self) -> None:
        if self.has_ended:
            return
        self.has_ended = True
        self.host.let_go()
        if self.thread.is_alive():
            self.daemon.stop()
            self.thread.join(PATIENCE_SECONDS)
        assert not self.thread.is_alive()
        self.daemon.close()

    def rules(self) -> set[tuple[str, str | None]]:
        """Give rule and position of what stands."""
        result = self.daemon.status.last_pass
        return {(finding.rule, finding.position) for finding in result.findings} if result else set()

    def passes(self, more: int = 3) -> None:
        """Wait for some more judged passes."""
        wanted = len(self.writer.kept) + more
        wait_for(lambda: len(self.writer.kept) >= wanted)

    def turns(self, more: int = 2) -> None:
        """Wait for some more turns of the loop, whether it reads anything or not; the first may have begun already."""
        for _ in range(more):
            before = self.daemon.status.alive_at
            self.daemon._wake()
            wait_for(lambda before=before: self.daemon.status.alive_at != before)
