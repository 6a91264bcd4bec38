"""interface-errors: transfers between a SATA or SAS drive and its controller that failed."""

from collections.abc import Iterator

from laneproof.advice import RESEAT_CABLE, advise
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import WEEK, key_of, name_drive
from laneproof.rules.drives.asleep import keep_those_asleep
from laneproof.rules.drives.sata_drives import find_awake, report_gap, report_sign
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import say_times
from laneproof_collectors.unread import Unread

_MORE_THAN_A_PLUG = 10
"""A handful of checksum errors may date from one bad plug; judged only while the drive is young. Our choice."""
_YOUNG_HOURS = 1000


def _judge(current: Pass) -> Iterator[Finding]:
    yield from keep_those_asleep(current, INTERFACE_ERRORS.name)
    for arrangement, occupant, drive in find_awake(current):
        count = drive.interface_errors
        if isinstance(count, Unread):
            yield report_gap(INTERFACE_ERRORS, arrangement, occupant, count)
        if not isinstance(count, int) or not count:
            continue
        key = key_of("drive", name_drive(drive, shares_serial=occupant.shares_serial), "interface_errors")
        box, now = current.past.box, current.snapshot.taken_at
        recent = box.grown(key, within=WEEK, now=now)
        hours = drive.power_on_hours
        is_young = isinstance(hours, int) and hours < _YOUNG_HOURS
        evidence = {"interface_errors": count, "last_week": recent, "power_on_hours": hours}
        if recent:
            said = [(f"{say_times(recent, 'transfer')} over its cable failed in the last 7 days", Severity.WARNING)]
            yield report_sign(INTERFACE_ERRORS, arrangement, occupant, said, evidence)
        elif count >= _MORE_THAN_A_PLUG and is_young and box.watched(key, now=now) < WEEK:
            said = [(f"{count} transfers over its cable failed in its {hours} powered hours", Severity.NOTICE)]
            yield report_sign(INTERFACE_ERRORS, arrangement, occupant, said, evidence)


INTERFACE_ERRORS = Rule(
    name="interface-errors",
    kind=Kind.SIGN,
    statement="The transfers between a SATA or SAS drive and its controller do not fail.",
    why=(
        "These are counted on the cable, not on the medium: each was noticed and repeated, so no data is harmed yet. "
        "They point at cable, connector, backplane or power, and a drive replaced for them is replaced for nothing."
    ),
    next_steps=advise(
        RESEAT_CABLE,
        "See whether other drives on the same backplane, controller or power lead count them too.",
        "The count never falls: what matters is that it no longer grows.",
    ),
    judge=_judge,
    examples=(
        holds("none were counted"),
        holds("an old drive has some of long ago"),
        sign("three more this week", "bay-1 (sda): 3 transfers over its cable failed in the last 7 days"),
    ),
    sources=("Attribute 199: makers agree on it (common practice, no source); SAS: phy error counts",),
)
