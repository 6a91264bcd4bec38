"""Drives that are left alone because they sleep: what they reported last stands for a week.

Standby is a state, not a gap. A drive that reported its health within the week is judged by that; one that could not be
asked for longer is unverified, which is reported once.
"""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.box.occupants import Occupant
from laneproof.findings import Finding, Kind
from laneproof.rules.drives.sata_drives import key_of_drive
from laneproof.rules.rule import Pass
from laneproof.rules.sign_subjects import DAY

REPORT_LASTS_SECONDS = 7 * DAY
"""How long the last report of a sleeping drive counts. Our choice."""


def seconds_unread(current: Pass, occupant: Occupant) -> float | None:
    """Give how long ago a drive last reported its health; None where it never did."""
    ledger = current.past.ledger
    record = ledger.drives.of(occupant) or ledger.drives.at(occupant.path)
    return None if record is None or not record.answered_at else ledger.now - record.answered_at


def answered_recently(current: Pass, occupant: Occupant) -> bool:
    """Whether a drive reported its health recently enough to be left alone now."""
    seconds = seconds_unread(current, occupant)
    return seconds is not None and seconds <= REPORT_LASTS_SECONDS


def keep_standing(current: Pass, rule: str, occupant: Occupant) -> Iterator[Finding]:
    """Repeat what a rule said of a drive before it fell asleep."""
    key = key_of_drive(occupant)
    before = current.past.standing.get((rule, current.arrangement.label_of(occupant) or key))
    if before is not None and before.kind is Kind.SIGN and before.key == key:
        yield replace(before, accepted=None)


def keep_those_asleep(current: Pass, rule: str) -> Iterator[Finding]:
    """Repeat what a rule said of each SATA or SAS drive that sleeps."""
    for occupant in current.arrangement.drives:
        if occupant.drive is not None and occupant.drive.asleep:
            yield from keep_standing(current, rule, occupant)
