"""This machine under load: fio on its drives, and the collectors that watch it, second by second.

Only the groups of facts that a run needs are read, and in quiet stages no drive is sent a command: the kernel's log and
device events each second, links now and then, for reading a link's registers ends its rest as well.
"""

import signal
import time
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.proof.plan import RunStep
from laneproof.proof.run_record import StageName
from laneproof.proof.run_totals import STARTING_SECONDS
from laneproof.proof.targets import Rest, Targets
from laneproof.proof.watched_pass import WatchedPass, list_occurrences, watch_arrangement
from laneproof_collectors.collection import Collector, assemble, read_fenced
from laneproof_collectors.disks.block import parse_statistics
from laneproof_collectors.disks.sata_sas_usb import DriveCache, read_drives
from laneproof_collectors.fio import Job, Load, LoadResult
from laneproof_collectors.host import Host
from laneproof_collectors.hotplug import read_device_events
from laneproof_collectors.kernel_log.reading import KernelEvents, read_kernel_events
from laneproof_collectors.nvme.controllers import NvmeCache, read_controllers
from laneproof_collectors.pcie.functions import PcieCache, read_functions
from laneproof_collectors.thermal import read_thermal
from laneproof_collectors.unread import Unread, if_read

SECOND = 1.0
DEADLINE_SECONDS = 0.8
"""How long one question may take here: a second's watch must not be late by more than a second."""
QUIET_LINK_SECONDS, FAN_SECONDS, DISK_SECONDS = 10.0, 5.0, 30.0
"""How often links are read in quiet stages, and fans and what smartctl says of a disk at all."""
_SPARE_SECONDS = STARTING_SECONDS + 10.0  # a load is ended, and ends by itself only where nobody ended it
_SMALL_BYTES, _SMALL_DEPTH = 4096, 32


class LiveProofMachine:
    """This machine, for one run."""

    def __init__(  # noqa: PLR0913 (its parts)
        self,
        host: Host,
        build: Build | None,
        targets: Targets,
        *,
        fio: str,
        setpriv: str,
        rate_bytes: int | None,
        devices: str = "/dev",
    ) -> None:
        """Take up the kernel's log where it stands; nothing is loaded yet.

        `fio` and `setpriv` are the programs' own paths, `devices` is the folder of the disks' device files; each drive
        is read at `rate_bytes` a second at most.
        """
        self._devices = devices
        self._host, self._build, self._targets = host, build, targets
        self._programs = {"fio": fio, "setpriv": setpriv}
        self._rate_bytes = rate_bytes
        self._collectors = {
            "functions": Collector(
                group="functions", interval_seconds=SECOND, read=partial(read_functions, cache=PcieCache())
            ),
            "controllers": Collector(
                group="controllers", interval_seconds=SECOND, read=partial(read_controllers, cache=NvmeCache())
            ),
            "drives": Collector(
                group="drives", interval_seconds=DISK_SECONDS, read=partial(read_drives, cache=DriveCache())
            ),
            "thermal": Collector(group="thermal", interval_seconds=FAN_SECONDS, read=read_thermal),
        }
        self._disks = [target.disk for target in targets.drives if target.record.interface != "nvme"]
        self._facts: dict[str, Any] = {}
        self._read_at: dict[str, float] = {}
        self._loads: dict[str, Load] = {}
        self._began = self._due = time.monotonic()
        self.asked_to_stop: str | None = None
        read_kernel_events(host)
        read_device_events(host)

    # --- the load -----------------------------------------------------------------------------------------------------

    def start(self, step: RunStep, names: Collection[str]) -> None:
        """Start a step's loads."""
        for target in self._targets.drives if self.asked_to_stop is None else ():
            if target.name in names:
                job = _make_job(step, f"{self._devices}/{target.disk}", target.rest, self._rate_bytes)
                self._loads[target.name] = Load(job, **self._programs)

    def hold_back(self, names: Collection[str]) -> None:
        """Let the loads of these drives rest, and no others."""
        for name, load in self._loads.items():
            load.pause(on=name in names)

    def stop(self, names: Collection[str]) -> None:
        """End the loads of these drives."""
        for name in names:
            if name in self._loads:
                self._loads[name].ask_to_end()

    def has_ended(self) -> bool:
        """Whether all loads of the step have ended by themselves."""
        return all(load.has_ended() for load in self._loads.values())

    def end(self) -> Mapping[str, LoadResult | Unread]:
        """End what still runs, and give the accounts by drive."""
        loads, self._loads = self._loads, {}
        for load in loads.values():
            load.ask_to_end()
        return {name: load.collect() for name, load in loads.items()}

    def kill(self, why: str) -> None:
        """End everything at once; may be called from a signal's handler."""
        self.asked_to_stop = why
        for load in self._loads.values():
            load.kill()

    # --- the watch ----------------------------------------------------------------------------------------------------

    def watch_next(self, *, quiet: bool) -> WatchedPass:
        """Wait for the next second and read it; a quiet pass sends no drive a command."""
        self._due += SECOND
        while self.asked_to_stop is None and (left := self._due - time.monotonic()) > 0:
            time.sleep(min(left, 0.2))
        now = time.monotonic()
        self._due = max(self._due, now - SECOND)
        is_due = {"functions": QUIET_LINK_SECONDS if quiet else 0.0, "thermal": FAN_SECONDS}
        if not quiet:
            is_due["controllers"] = 0.0
            is_due |= {"drives": DISK_SECONDS} if self._disks else {}
        groups = [group for group, every in is_due.items() if now - self._read_at.get(group, float("-inf")) >= every]
        for group in groups:
            self._facts[group] = read_fenced(self._collectors[group], self._host)
            self._read_at[group] = now
        return self._make_pass(now, groups)

    def _make_pass(self, now: float, groups: list[str]) -> WatchedPass:
        kernel, devices = read_kernel_events(self._host), read_device_events(self._host)
        known = kernel if isinstance(kernel, KernelEvents) else KernelEvents((), 0)
        removed = if_read(devices)
        arrangement = arrange(self._build, assemble(self._facts, self._host.clock()))
        stats = self._host.files(f"/sys/block/{disk}/stat" for disk in self._disks)
        counts = {disk: parse_statistics(raw, what=disk) for disk, raw in zip(self._disks, stats, strict=True)}
        watched = watch_arrangement(arrangement, self._targets, now - self._began, counts)
        return replace(
            watched,
            drives=watched.drives if "controllers" in groups else {},
            links=watched.links if "functions" in groups else {},
            occurrences=tuple(list_occurrences(known.events, removed, self._targets)),
            lost_records=known.lost,
            unread_log=str(kernel) if isinstance(kernel, Unread) else None,
        )


def _make_job(step: RunStep, disk: str, rest: Rest | str, rate_bytes: int | None) -> Job:
    seconds = step.seconds + _SPARE_SECONDS
    if step.stage is StageName.SMALL:
        return Job(
            disk=disk,
            seconds=seconds,
            is_random=True,
            block_bytes=_SMALL_BYTES,
            depth=_SMALL_DEPTH,
            rate_bytes=rate_bytes,
        )
    if step.stage is StageName.WAKE and isinstance(rest, Rest):
        pause = round(rest.idle_seconds * 1e6)
        return Job(
            disk=disk, seconds=seconds, is_random=True, block_bytes=_SMALL_BYTES, depth=1, pause_microseconds=pause
        )
    return Job(disk=disk, seconds=seconds, rate_bytes=rate_bytes)


@contextmanager
def stop_on_signals(machine: LiveProofMachine) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM end all loads at once, and the run with them."""
    words = {signal.SIGINT: "you stopped it", signal.SIGTERM: "it was asked to end", signal.SIGHUP: "its terminal left"}
    before = {number: signal.signal(number, lambda *_, why=why: machine.kill(why)) for number, why in words.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
