"""Passes of a simulated box one after another, as the store is given them; tests turn the knobs between two."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from boxes.snapshot_box import A_MORNING, Box, kelp_box
from laneproof.findings import Change, Finding, FindingChange, Kind, Severity
from laneproof.history.events import Event
from laneproof.history.history import History
from laneproof.history.origins import DeviceMap, map_devices
from laneproof.history.sample import Sample
from laneproof.history.sampled_groups import SAMPLERS, sample_group
from laneproof_collectors.snapshot import AerCounters, NvmeController, PciFunction, Snapshot
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known

FIRST_BOOT = "0b5e55ed-0000-4000-8000-000000000001"
SECOND_BOOT = "0b5e55ed-0000-4000-8000-000000000002"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """What one pass came to."""

    snapshot: Snapshot
    findings: tuple[Finding, ...] = ()
    changes: tuple[FindingChange, ...] = ()


class Passes:
    """A clock, and a box whose facts are set by hand."""

    def __init__(self, box: Box | None = None, *, t: float = A_MORNING, up: float = 100.0) -> None:
        self.facts = (box or kelp_box(2)).snapshot()
        self.t, self.up = t, up
        self.standing: tuple[Finding, ...] = ()

    def wait(self, seconds: float) -> "Passes":
        self.t += seconds
        self.up += seconds
        return self

    def take(self, *changes: FindingChange) -> Pass:
        """Give the pass of this moment."""
        snapshot = replace(self.facts, taken_at=self.t, up_seconds=self.up)
        return Pass(snapshot=snapshot, findings=self.standing, changes=changes)

    def after(self, seconds: float) -> Pass:
        return self.wait(seconds).take()

    # --- knobs ---

    def set(self, **groups: Any) -> "Passes":
        self.facts = replace(self.facts, **groups)
        return self

    def unread(self, group: str) -> "Passes":
        return self.set(**{group: Unread(group, "no answer in time", Reason.TIMED_OUT)})

    def drive(self, number: int, *, health: Mapping[str, Any] | None = None, **facts: Any) -> "Passes":
        """Set facts of a drive, and fields of its health log."""
        drives = [*self.controllers()]
        drive = drives[number]
        drives[number] = replace(drive, **({"health": replace(known(drive.health), **(health or {}))} | facts))
        return self.set(controllers=tuple(drives))

    def without_drive(self, number: int) -> "Passes":
        """Let a drive leave the bus."""
        gone = self.controllers()[number]
        return self.set(
            controllers=tuple(controller for controller in self.controllers() if controller is not gone),
            functions=tuple(function for function in self.functions() if function.address != gone.address),
        )

    def function(self, own_path: str, **facts: Any) -> "Passes":
        """Set facts of a PCI function."""
        changed = (replace(each, **facts) if each.own_path == own_path else each for each in self.functions())
        return self.set(functions=tuple(changed))

    def errors(self, own_path: str, **bits: int) -> "Passes":
        """Let a function have counted correctable errors; the other classes are at 0."""
        counted = {"RxErr": 0, "BadTLP": 0, "BadDLLP": 0} | bits
        return self.function(own_path, aer=AerCounters(correctable=counted, nonfatal={"TLP": 0}, fatal={"DLP": 0}))

    def reboot(self, boot_id: str = SECOND_BOOT, *, off_seconds: float = 120.0, **firmware: Any) -> "Passes":
        self.t += off_seconds
        self.up = 60.0
        return self.set(firmware=replace(known(self.facts.firmware), boot_id=boot_id, **firmware))

    def controllers(self) -> tuple[NvmeController, ...]:
        return known(self.facts.controllers)

    def functions(self) -> tuple[PciFunction, ...]:
        return known(self.facts.functions)


def make_finding(rule: str = "link-slow", **fields: Any) -> Finding:
    """Make a finding; what is not said is plausible."""
    whole: dict[str, Any] = {
        "kind": Kind.DIFFERS,
        "severity": Severity.WARNING,
        "position": "riser-1",
        "subject": "0000:01:00.0",
        "summary": "riser-1 trained at gen 3, declared gen 4",
        "declared": "gen 4 x4",
        "observed": "gen 3 x4",
        "key": "0000:00/01.1",
    }
    return Finding(rule=rule, **whole | fields)


def change_of(what: Change, finding: Finding, at: float) -> FindingChange:
    return FindingChange(at=at, change=what, finding=finding)


def events_of(history: History, *kinds: str) -> list[Event]:
    """Give the events of some kinds, oldest first."""
    return [event for event in history.read_events() if event.kind in kinds]


def last_of(history: History, name: str) -> float | None:
    """Give the value that a measure of the first drive came to."""
    (series,) = history.read_series(drive="FN0001", names=(name,))
    return series.last


def samples_of(snapshot: Snapshot, where: DeviceMap | None = None) -> list[Sample]:
    """Sample every group of a pass."""
    where = where or map_devices(snapshot)
    return [sample for group in SAMPLERS for sample in sample_group(snapshot, group, where)]
