"""firmware-changed: drives run other firmware than a week ago."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY

CLEAR_SECONDS = 7 * DAY
"""How long a change is reported. Our choice."""

_SUBJECT = "firmware of drives"


def _judge(current: Pass) -> Iterator[Finding]:
    """Report all updates in one finding: an owner updates drives of a kind together."""
    changed = dict(_find_changes(current))
    if not changed:
        return
    said = "; ".join(f"{name} from {change}" for name, change in changed.items())
    yield FIRMWARE_CHANGED.report(
        severity=Severity.NOTICE,
        key=_SUBJECT,
        summary=f"{_SUBJECT} changed within a week: {said}",
        observed=said,
        evidence={"changed": changed},
    )


def _find_changes(current: Pass) -> Iterator[tuple[str, str]]:
    """Give the drives whose firmware changed recently, each with what changed."""
    ledger, arrangement = current.past.ledger, current.arrangement
    since = ledger.now - CLEAR_SECONDS
    recent = [change for change in ledger.changes.changes if change.what == "drive-firmware" and change.at >= since]
    for occupant in arrangement.drives if recent else ():
        record = ledger.drives.of(occupant)
        label = arrangement.label_of(occupant)
        placement = arrangement.by_label.get(label) if label else None
        if record is None or (
            placement and placement.declared_device and placement.declared_device.firmware is not None
        ):
            continue  # firmware-differs speaks where the declaration names one
        for change in recent:
            if change.serial == record.serial:
                yield label or occupant.name, f"{change.before} to {change.after}"


FIRMWARE_CHANGED = Rule(
    name="firmware-changed",
    kind=Kind.SIGN,
    statement="Drives keep their firmware unless somebody updates it.",
    why=(
        "New firmware can cure or bring trouble, and may count otherwise than the old: so the day of the update is "
        "kept beside what the drive does from then on. It is a notice for a week. Where the declaration names a "
        "drive's firmware, firmware-differs speaks instead."
    ),
    next_steps=advise(
        "If it was updated on purpose, there is nothing to do; a declaration that names its firmware keeps it so.",
        "If nobody did, look what updates firmware on this box by itself, and whether the maker has withdrawn this "
        "version.",
    ),
    judge=_judge,
    examples=(
        holds("firmware as ever"),
        sign("a drive was updated", "firmware of drives changed within a week: riser-1 from 2.1 to 2.2"),
    ),
    sources=("NVM Express Base Specification 2.0: Firmware Revision (FR) in Identify Controller",),
)
