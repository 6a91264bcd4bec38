"""All collectors of one machine: a table by hand, each with its own interval, and one pass over them.

A collector's fault is fenced here: its group of facts becomes `Unread`, the others go on.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from laneproof_collectors import arrays, file_systems, firmware, memory, network, power_settings, thermal
from laneproof_collectors.disks.mapped_devices import read_mapped
from laneproof_collectors.disks.sata_sas_usb import DriveCache, read_drives
from laneproof_collectors.host import Host
from laneproof_collectors.nvme.controllers import NvmeCache, read_controllers
from laneproof_collectors.pcie.functions import PcieCache, read_functions
from laneproof_collectors.pcie.slots import read_slots
from laneproof_collectors.questions import Clock
from laneproof_collectors.snapshot import GROUPS, PhysicalSlot, Snapshot
from laneproof_collectors.unread import Reason, Unread

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Collector:
    """One group of facts.

    Attributes:
        group: The field of `Snapshot` that it fills.
        interval_seconds: How often it is worth reading; docs/cost.md says what each costs.
        read: Asks a host for the facts.
    """

    group: str
    interval_seconds: float
    read: Callable[[Host], Any]


def make_collectors() -> tuple[Collector, ...]:
    """Make the table. Each set of collectors remembers what does not change (offsets, identities) for itself."""
    return (
        Collector(group="functions", interval_seconds=15, read=partial(read_functions, cache=PcieCache())),
        Collector(group="controllers", interval_seconds=60, read=partial(read_controllers, cache=NvmeCache())),
        Collector(group="power", interval_seconds=60, read=power_settings.read_power),
        Collector(group="firmware", interval_seconds=3600, read=firmware.read_firmware),
        Collector(group="slots", interval_seconds=3600, read=_read_slots),
        Collector(group="memory", interval_seconds=300, read=memory.read_memory),
        Collector(group="arrays", interval_seconds=30, read=arrays.read_arrays),
        Collector(group="interfaces", interval_seconds=30, read=network.read_interfaces),
        Collector(group="bonds", interval_seconds=30, read=network.read_bonds),
        Collector(group="thermal", interval_seconds=60, read=thermal.read_thermal),
        Collector(group="drives", interval_seconds=600, read=partial(read_drives, cache=DriveCache())),
        Collector(group="file_systems", interval_seconds=300, read=file_systems.read_file_systems),
        Collector(group="mapped", interval_seconds=300, read=read_mapped),
    )


def _read_slots(host: Host) -> tuple[PhysicalSlot, ...] | Unread:
    """Join the kernel's slots with the firmware's own table, which only root may read."""
    by_kernel = read_slots(host)
    by_firmware = firmware.read_firmware_slots(host)
    if isinstance(by_firmware, Unread):
        return by_kernel
    return by_firmware if isinstance(by_kernel, Unread) else (*by_kernel, *by_firmware)


def read_fenced(collector: Collector, host: Host) -> object:
    """Run one collector; a fault of its own code is logged and becomes `Unread`."""
    try:
        return collector.read(host)
    except Exception:  # noqa: BLE001 (a fence: whatever it was, the others go on)
        _log.exception("the collector of %s failed", collector.group)
        return Unread(collector.group, "the collector failed; its traceback is in the log", Reason.FAILED)


def assemble(facts: Mapping[str, Any], clock: Clock) -> Snapshot:
    """Make a snapshot of the latest facts of each group; a group not read yet is `Unread`."""
    groups = {name: facts.get(name, Unread(name, "not read yet", Reason.NOT_ASKED)) for name in GROUPS}
    return Snapshot(
        taken_at=clock.unix_seconds,
        up_seconds=clock.up_seconds,
        monotonic_seconds=clock.monotonic_seconds,
        **groups,
    )


def read_snapshot(host: Host, collectors: tuple[Collector, ...] | None = None) -> Snapshot:
    """Run every collector once: those of a table kept from pass to pass, so that it remembers, or of a new one."""
    clock = host.clock()
    table = collectors if collectors is not None else make_collectors()
    return assemble({collector.group: read_fenced(collector, host) for collector in table}, clock)
