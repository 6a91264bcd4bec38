"""Whose signs are judged: each position, declared or not, that holds or held a drive or a link.

All sign rules begin here, so that a drive that dropped off the bus keeps its position's name in what is said of it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.drives import DriveRecord
from laneproof.past.link_errors import LinkRecord
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule

HOUR, DAY = 3600.0, 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One position, and the drive that is in it or was last.

    Attributes:
        path: The position's path.
        label: The declared position's label, None where there is none.
        serial: The drive's serial number, empty where it is not known.
        device: What the drive, or else the link's device, is called.
        drive: The drive's record.
    """

    path: str
    label: str | None
    serial: str
    device: str
    drive: DriveRecord | None

    @property
    def name(self) -> str:
        """What a person calls it: the label, else the device and its path."""
        return self.label or f"{self.device} at {self.path}"

    @property
    def full_name(self) -> str:
        """The same with the kernel's name of the device: ``riser-1 (nvme0)``."""
        return f"{self.name} ({self.device})"

    def identify(self, rule: str) -> tuple[str, str]:
        """Give the identity of a rule's finding about this position."""
        return rule, self.label or self.path

    def identify_drive(self, rule: str) -> tuple[str, str]:
        """Give the identity of a rule's finding about this drive."""
        return rule, self.label or self.serial or self.path


def is_ours(current: Pass, path: str) -> bool:
    """Whether a path is a declared position, or leads to a drive that is or was there, or to a network card.

    Other devices come and go, sleep and rest as their drivers please.
    """
    if path in current.arrangement.label_by_path or path in current.arrangement.relevant_paths:
        return True
    records = current.past.ledger.drives.records.values()
    return any(record.path == path or record.path.startswith(f"{path}/") for record in records)


def is_returning_guest(current: Pass, occupant: Occupant) -> bool:
    """Whether an external drive, in no declared position, came back today and was here before, as its owner likes."""
    ledger = current.past.ledger
    record = ledger.drives.of(occupant)
    is_guest = occupant.external and current.arrangement.label_of(occupant) is None
    half_a_day_ago = ledger.now - 12 * HOUR
    return is_guest and record is not None and record.first_at <= half_a_day_ago < record.returned_at


def watch_position(current: Pass, path: str, serial: str, device: str) -> Watched:
    """Give a position by its path, with the drive of a serial number and what is called the device there."""
    label, drive = current.arrangement.label_by_path.get(path), current.past.ledger.drives.records.get(serial)
    return Watched(path=path, label=label, serial=serial, device=device, drive=drive)


def watched_links(current: Pass) -> Iterator[tuple[Watched, LinkRecord]]:
    """Give each link on the way to a drive or a network card, with the device that is at its end or was last."""
    latest: dict[str, LinkRecord] = {}
    for record in current.past.ledger.links.records.values():
        known = latest.get(record.path)
        if known is None or record.last_at >= known.last_at:
            latest[record.path] = record
    for path, record in latest.items():
        if is_ours(current, path):
            yield watch_position(current, path, record.serial, record.device), record


def watched_drives(current: Pass) -> Iterator[tuple[Watched, DriveRecord]]:
    """Give each drive that is there, or was the last in its position, with its record."""
    arrangement, ledger = current.arrangement, current.past.ledger
    present = {occupant.path for occupant in arrangement.drives}
    newest: dict[str, DriveRecord] = {}
    for record in ledger.drives.records.values():
        known = newest.get(record.path)
        if known is None or record.last_at >= known.last_at:
            newest[record.path] = record
    for path, record in newest.items():
        if path in present or record.last_at >= ledger.now - 30 * DAY:
            yield watch_drive(arrangement, record), record


def watch_drive(arrangement: Arrangement, record: DriveRecord) -> Watched:
    """Give a drive with the position that it is in or was last."""
    label = arrangement.label_by_path.get(record.path)
    serial = "" if "/" in record.serial else record.serial
    return Watched(path=record.path, label=label, serial=serial, device=record.name, drive=record)


def make_sign(  # noqa: PLR0913 (what a sign says)
    rule: Rule,
    watched: Watched,
    *,
    severity: Severity,
    summary: str,
    observed: str,
    evidence: dict[str, Any],
    next_steps: tuple[str, ...] | None = None,
    follows_drive: bool = False,
) -> Finding:
    """Make a finding about a watched position or, where `follows_drive`, about the drive in it."""
    return rule.report(
        severity=severity,
        position=watched.label,
        subject=watched.device or watched.path,
        key=(watched.serial or watched.path) if follows_drive else watched.path,
        summary=summary,
        observed=observed,
        evidence={"path": watched.path, "serial": watched.serial or None, **evidence},
        next_steps=next_steps,
    )


def standing_sign(past: Past, identity: tuple[str, str]) -> Finding | None:
    """Give a sign as it stood after the pass before; None where it did not, or could not be read then."""
    finding = past.standing.get(identity)
    return finding if finding is not None and finding.kind is Kind.SIGN else None


def more_severe(severity: Severity, other: Severity | None) -> Severity:
    """Give the severer of two: a sign does not become less severe while it stands."""
    return severity if other is None or severity.rank >= other.rank else other


def say_seconds(seconds: float) -> str:
    """Say how long, as a person would."""
    for length, word in ((DAY, "day"), (HOUR, "hour"), (60.0, "minute")):
        if seconds >= 1.5 * length or (seconds >= length and word != "minute"):
            number = round(seconds / length)
            return f"{number} {word}{'' if number == 1 else 's'}"
    return f"{seconds:.0f} seconds"


def say_times(count: int, word: str = "time") -> str:
    """Say how often: ``1 time``, ``3 times``."""
    return f"{count} {word}{'' if count == 1 else 's'}"
