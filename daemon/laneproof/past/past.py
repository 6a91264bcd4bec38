"""What a rule may know of earlier passes: values, never a database.

The engine carries `Past` from pass to pass; after a restart the daemon restores it. A single audit begins with none.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from laneproof.findings import Finding
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.box_record import BoxRecord
from laneproof.past.ledger import Ledger
from laneproof.past.notes import ConfirmedCause, Note
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """Earlier passes, as far as a rule may see them."""

    previous: Snapshot | None = None
    # what earlier passes left behind of arrays, counters and fans, this pass included
    box: BoxRecord = field(default_factory=BoxRecord)
    # what all passes add up to, this pass included; an empty one where there was none before
    ledger: Ledger = field(default_factory=Ledger)
    # by rule and subject, the findings that stood after the pass before: a sign stays until it has been quiet for long
    # enough, and only the finding itself says since when
    standing: Mapping[tuple[str, str], Finding] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    confirmed: tuple[ConfirmedCause, ...] = ()
    # why ``kernel-log`` or ``device-events`` could not be read in this pass: then their silence says nothing
    unread_logs: Mapping[str, Unread] = field(default_factory=dict)

    @property
    def boots(self) -> tuple[Boot, ...]:
        """Boots that were seen, oldest first, the running one last."""
        return tuple(self.ledger.boots.boots)

    @property
    def earlier_limits(self) -> Mapping[str, LinkLimits]:
        """By path, limits of its link in the last boot with another BIOS."""
        return self.ledger.boots.earlier_limits


NO_PAST = Past()
"""The past of a first pass."""
