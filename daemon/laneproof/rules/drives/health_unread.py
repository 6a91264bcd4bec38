"""Health that could not be read: reported drive by drive, or once where no drive's can be read here.

Where a right or a program is missing, every drive's log is shut for the same reason, and a notice for each drive would
report one cause many times. A reason that lies with a drive is reported of that drive: it sleeps, it refused, it does
not answer.
"""

from collections.abc import Sequence

from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding
from laneproof.rules.drives.sata_drives import key_of_drive
from laneproof.rules.rule import Rule
from laneproof_collectors.unread import Reason, Unread

_OF_THIS_MACHINE = (Reason.DENIED, Reason.ABSENT)
_FEWEST = 2
ALL_KEY = "health-logs"
"""What the one finding about all drives' logs is known by."""


def find_shut(drives: Sequence[Occupant]) -> list[tuple[Occupant, Unread]]:
    """Find the drives whose health logs nobody here may read, where no log of any drive can be read, for one reason.

    A drive that cannot be read for a reason of its own is not among them, and leaves the others together.

    Returns:
        Each with its gap; empty where a log could be read, the reasons differ, or there is only one such drive.
    """
    healths = [(drive, drive.controller.health) for drive in drives if drive.controller is not None]
    gaps = [(drive, health) for drive, health in healths if isinstance(health, Unread)]
    shut = [(drive, gap) for drive, gap in gaps if gap.reason in _OF_THIS_MACHINE]
    is_one_cause = len({(gap.reason, gap.detail) for _, gap in shut}) == 1
    return shut if len(gaps) == len(healths) and is_one_cause and len(shut) >= _FEWEST else []


def report_shut(rule: Rule, arrangement: Arrangement, shut: Sequence[tuple[Occupant, Unread]]) -> Finding:
    """Report once that no drive's health log can be read, of at least one drive with its gap."""
    gaps = {arrangement.label_of(drive) or drive.name: gap for drive, gap in shut}
    first = shut[0][1]
    return rule.report_unverified(
        first,
        about=f"what {', '.join(gaps)} say of their health",
        why=f"{first}; the others likewise",
        key=ALL_KEY,
        subject=f"the health logs of {len(shut)} drives",
        evidence={"unread": {name: str(gap) for name, gap in gaps.items()}},
    )


def report_unread(rule: Rule, arrangement: Arrangement, occupant: Occupant, gap: Unread) -> Finding:
    """Report that a drive's health could not be read."""
    label = arrangement.label_of(occupant)
    about = f"what {label or occupant.name} says of its health"
    return rule.report_unverified(gap, about=about, key=key_of_drive(occupant), position=label, subject=occupant.name)
