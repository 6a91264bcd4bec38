"""SATA and SAS drives that are awake, and how their rules say what they found.

What they say of their own health is left to critical-warning, and so is a drive of which nothing could be read. A drive
that sleeps is not judged: it is not woken for a reading.
"""

from collections.abc import Iterator, Mapping

from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Severity
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import SataDrive
from laneproof_collectors.unread import Unread


def find_awake(current: Pass) -> Iterator[tuple[Arrangement, Occupant, SataDrive]]:
    """Give each SATA or SAS drive that is awake and could be read."""
    arrangement = current.arrangement
    for occupant in arrangement.drives:
        drive = occupant.drive
        # a drive of which nothing can be read is reported by critical-warning, once
        if drive is not None and not drive.asleep and not isinstance(drive.healthy, Unread):
            yield arrangement, occupant, drive


def report_sign(  # noqa: PLR0913 (what a finding is)
    rule: Rule,
    arrangement: Arrangement,
    occupant: Occupant,
    said: list[tuple[str, Severity]],
    evidence: Mapping[str, object],
    *,
    warns: bool = False,
) -> Finding:
    """Make a sign of a drive from what is to be said of it, each with its severity; or from what it warns of itself."""
    words = "; ".join(text for text, _ in said)
    return rule.report(
        severity=max((severity for _, severity in said), key=lambda severity: severity.rank),
        position=arrangement.label_of(occupant),
        subject=occupant.name,
        key=key_of_drive(occupant),
        summary=f"{arrangement.full_name(occupant)}{' warns' if warns else ''}: {words}",
        observed=words if warns else None,
        evidence=evidence,
    )


def report_gap(rule: Rule, arrangement: Arrangement, occupant: Occupant, gap: Unread) -> Finding:
    """Report what of a drive could not be read."""
    label = arrangement.label_of(occupant)
    about = f"{rule.name.replace('-', ' ')} of {label or occupant.name}"
    return rule.report_unverified(gap, about=about, key=key_of_drive(occupant), position=label)


def key_of_drive(occupant: Occupant) -> str:
    """Give what a drive is known by: its serial number, else its path."""
    return occupant.serial if isinstance(occupant.serial, str) and occupant.serial else occupant.own_path
