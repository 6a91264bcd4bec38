"""sectors-failing: SATA and SAS drives, by the sectors that they lost."""

from collections.abc import Iterator

from laneproof.advice import BACK_UP, REPLACE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import WEEK, key_of, name_drive
from laneproof.rules.drives.asleep import keep_those_asleep
from laneproof.rules.drives.sata_drives import find_awake, report_gap, report_sign
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import say_times
from laneproof_collectors.unread import Unread

_KINDS = (
    ("pending_sectors", "waiting to be reallocated (unreadable now)", Severity.WARNING),
    ("uncorrectable_sectors", "that could not be corrected", Severity.WARNING),
    ("reallocated_sectors", "reallocated", Severity.NOTICE),
)


def _judge(current: Pass) -> Iterator[Finding]:
    yield from keep_those_asleep(current, SECTORS_FAILING.name)
    for arrangement, occupant, drive in find_awake(current):
        counts = {name: getattr(drive, name) for name, _, _ in _KINDS}
        lost = {name: count for name, count in counts.items() if isinstance(count, int) and count}
        said = [
            (f"{say_times(lost[name], 'sector')} {words}", severity) for name, words, severity in _KINDS if name in lost
        ]
        gap = next((count for count in counts.values() if isinstance(count, Unread)), None)
        if said:
            key = key_of("drive", name_drive(drive, shares_serial=occupant.shares_serial), "reallocated_sectors")
            rose = current.past.box.grown(key, within=WEEK, now=current.snapshot.taken_at)
            if rose:
                said.append((f"{rose} of them reallocated in the last 7 days", Severity.WARNING))
            yield report_sign(SECTORS_FAILING, arrangement, occupant, said, {**counts, "reallocated_last_week": rose})
        elif gap is not None:
            yield report_gap(SECTORS_FAILING, arrangement, occupant, gap)


SECTORS_FAILING = Rule(
    name="sectors-failing",
    kind=Kind.SIGN,
    statement="No SATA or SAS drive has sectors that it lost, or is about to lose.",
    why=(
        "A sector that waits for reallocation cannot be read now: what was in it is gone from this drive. A drive that "
        "begins to lose sectors tends to go on; many live long with a few, so the count that grows is what matters."
    ),
    next_steps=advise(
        BACK_UP,
        "Let its array be checked when the box is quiet: that rewrites a sector that cannot be read.",
        "Let the drive run its own long self-test, and order a spare.",
        REPLACE,
    ),
    judge=_judge,
    examples=(
        holds("no sector was lost"),
        sign("eight sectors cannot be read", "bay-1 (sda): 8 sectors waiting to be reallocated (unreadable now)"),
        sign(
            "16 sectors were reallocated, all of them this week",
            "bay-1 (sda): 16 sectors reallocated; 16 of them reallocated in the last 7 days",
        ),
    ),
    sources=(
        "Attributes 5, 197 and 198: makers agree on these (common practice, no source); SAS: grown defects",
        "Pinheiro, Weber, Barroso: Failure Trends in a Large Disk Drive Population, FAST 2007 (from memory)",
    ),
)
