"""One fault that comes and goes is one alarm: from the third time on it stands until it has been clean long enough.

A member that is kicked each night, a fan that stops each night, a link that comes up narrow at every third boot, a
warning that a drive takes back: each would be a new alarm each time. What stands in between says that it is not so now,
how often it was, and when last.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from laneproof.evidence.fix_trial import clean_time_needed
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.box_record import name_fans
from laneproof.past.recurrences import KEPT_SECONDS, Recurrence
from laneproof.rules.drives.sata_drives import key_of_drive
from laneproof.rules.rule import Pass
from laneproof.rules.sign_subjects import DAY, HOUR, say_seconds, say_times
from laneproof_collectors.unread import Unread, if_read

COMES_AND_GOES = frozenset(
    {
        "array-degraded",
        "bond-incomplete",
        "critical-warning",
        "fan-stopped",
        "link-narrow",
        "link-slow",
        "sectors-failing",
    }
)
"""The rules that this is about; other signs that come and go have a clean time of their own."""
TIMES = 3
"""From so many times within two weeks on, an alarm stands although it is not so now. Our choice."""
SHORTEST_SECONDS, LONGEST_SECONDS = DAY, 7 * DAY
"""The least and the most clean time that ends it. Our choice."""
_LAST_SEEN = "last_seen_at"


def find_recurring(findings: Iterable[Finding]) -> Iterator[tuple[str, str]]:
    """Give the identity of each alarm of this pass that may come and go; not of those that only stand in between."""
    for finding in findings:
        if finding.rule in COMES_AND_GOES and _is_alarm(finding) and _LAST_SEEN not in finding.evidence:
            yield finding.identity


def hold_recurring(current: Pass, findings: Iterable[Finding]) -> list[Finding]:
    """Add the alarms that stood after the pass before, are not so now, and came too often to be over.

    What is less severe about the same subject gives way.
    """
    found = list(findings)
    spoken_of = {finding.identity for finding in found if _is_alarm(finding) or finding.kind is Kind.UNVERIFIED}
    held = {}
    for identity, before in current.past.standing.items():
        if identity[0] in COMES_AND_GOES and identity not in spoken_of and _is_alarm(before):
            record = current.past.ledger.recurrences.of(identity)
            if (
                record is not None
                and _is_likely_to_return(record, current.past.ledger.now)
                and _is_here(current, before.key)
            ):
                held[identity] = _say_not_now(current, before, record)
    return [*(finding for finding in found if finding.identity not in held), *held.values()] if held else found


def _is_alarm(finding: Finding) -> bool:
    return finding.kind is not Kind.UNVERIFIED and finding.severity is not Severity.NOTICE


def _is_likely_to_return(record: Recurrence, now: float) -> bool:
    """Whether an alarm that is not so now would, by its own history, most likely come again."""
    came = [at for at in record.came if now - at <= KEPT_SECONDS]
    if len(came) < TIMES:
        return False
    lead = (came[-1] - came[0]) / (len(came) - 1)
    needed = clean_time_needed(len(came), max(came[-1] - came[0] + lead, HOUR))
    longest = LONGEST_SECONDS if isinstance(needed, NotEnough) else min(max(needed, SHORTEST_SECONDS), LONGEST_SECONDS)
    return now - record.seen_at <= longest


def _is_here(current: Pass, key: str) -> bool:
    """Whether what an alarm is about is still there: of another drive in its position nothing is known."""
    snapshot, arrangement = current.snapshot, current.arrangement
    arrays, bonds = if_read(snapshot.arrays), if_read(snapshot.bonds)
    fans = () if isinstance(snapshot.thermal, Unread) else snapshot.thermal.fans
    names = {array.name for array in arrays} | {bond.name for bond in bonds} | {name for name, _ in name_fans(fans)}
    return (
        key in names
        or any(key == key_of_drive(drive) for drive in arrangement.drives)
        or bool(arrangement.topology.functions_at(key))
    )


def _say_not_now(current: Pass, before: Finding, record: Recurrence) -> Finding:
    if _LAST_SEEN in before.evidence:
        return replace(before, accepted=None)
    when = current.past.ledger.timeline.to_wall(record.seen_at)
    often = f"{say_times(len(record.came))} in {say_seconds(record.seen_at - record.came[0])}"
    return replace(
        before,
        summary=f"not so now, but {often}, last at {write_time(when)}: {before.summary}",
        evidence={**before.evidence, "times": len(record.came), _LAST_SEEN: format_time(when)},
        accepted=None,
    )
