"""When a run must not begin, and when it must hold back or stop: pure, asked each second.

A load only reads, but it warms drives, slows what else runs, and finds a weak drive at the worst moment. So an array
that lacks a member is left alone, a drive that is too warm too, and anything that goes wrong ends all of it.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from laneproof.findings import Finding
from laneproof.proof.targets import Target
from laneproof.proof.watched_pass import WatchedPass
from laneproof_collectors.snapshot import HealthLog, Snapshot
from laneproof_collectors.unread import Unread, if_read

COOLER_CELSIUS = 3.0
"""How far below its warning threshold a drive must be before its load goes on. Our choice."""
_RUNNING = ("recover", "resync", "check", "repair", "reshape")  # Documentation/admin-guide/md.rst, sync_action
_REFUSING_RULES = ("array-degraded", "fan-stopped")


def find_reasons_against(snapshot: Snapshot, findings: Collection[Finding]) -> tuple[str, ...]:
    """Say why no run should begin now."""
    reasons = dict.fromkeys(
        finding.summary for finding in findings if finding.rule in _REFUSING_RULES and finding.kind != "unverified"
    )
    for reason in _find_by_facts(snapshot):
        reasons.setdefault(reason)
    return tuple(reasons)


def _find_by_facts(snapshot: Snapshot) -> Iterator[str]:
    if isinstance(snapshot.arrays, Unread):
        yield f"whether an array is whole is not known: {snapshot.arrays}"
    else:
        for array in snapshot.arrays:
            if isinstance(array.degraded, Unread):
                yield f"whether array {array.name} is whole is not known: {array.degraded}"
            elif array.degraded:
                yield f"array {array.name} lacks {array.degraded} of its members"
            if isinstance(array.sync_action, Unread):
                yield f"whether array {array.name} is busy is not known: {array.sync_action}"
            elif array.sync_action in _RUNNING:
                yield f"array {array.name} is busy: {array.sync_action}"
    yield from _find_failing_drives(snapshot)


def _find_failing_drives(snapshot: Snapshot) -> Iterator[str]:
    for controller in if_read(snapshot.controllers):
        if isinstance(controller.health, HealthLog) and controller.health.critical_warning:
            yield f"{controller.name} has a critical warning ({controller.health.critical_warning:#04x})"
    for drive in if_read(snapshot.drives):
        if drive.healthy is False:
            yield f"{drive.name} reports that it is failing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """What to do about the load now.

    Attributes:
        stop_all: Why everything must stop; None where nothing says so.
        stop: By drive, why its load must stop for good.
        hold_back: Drives whose load must rest until they are cooler.
    """

    stop_all: str | None = None
    stop: Mapping[str, str]
    hold_back: frozenset[str]


def give_orders(
    watched: WatchedPass, targets: Collection[Target], held_back: Collection[str], fans_at_start: frozenset[str]
) -> Orders:
    """Decide from one second's readings which loads must rest, and whether the run must stop.

    A load that rests already goes on only when its drive is cooler; a fan that stood still at the start stops nothing.
    """
    stop: dict[str, str] = {}
    held = set()
    for target in targets:
        drive = watched.drives.get(target.name)
        celsius = None if drive is None else drive.celsius
        if celsius is not None and target.critical_celsius is not None and celsius >= target.critical_celsius:
            stop[target.name] = f"it reached its critical temperature: {celsius:g} °C"
        elif drive is not None and drive.warning:
            stop[target.name] = f"it reports {drive.warning}"
        elif celsius is not None and target.record.warning_celsius is not None:
            limit = target.record.warning_celsius - (COOLER_CELSIUS if target.name in held_back else 0.0)
            if celsius >= limit:
                held.add(target.name)
        elif drive is None and target.name in held_back:
            held.add(target.name)
    return Orders(stop_all=_find_reason_to_stop(watched, fans_at_start), stop=stop, hold_back=frozenset(held))


def _find_reason_to_stop(watched: WatchedPass, fans_at_start: frozenset[str]) -> str | None:
    if watched.failed is not None:
        return f"the watch failed: {watched.failed}"
    gone = [name for name, drive in watched.drives.items() if not drive.is_there]
    gone += [occurrence.name for occurrence in watched.occurrences if occurrence.kind == "gone"]
    if gone:
        return f"{gone[0]} is gone"
    fans = watched.stopped_fans - fans_at_start
    return f"the fan {min(fans)} stopped" if fans else None
