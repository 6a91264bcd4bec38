"""sectors-failing, interface-errors and self-test-failed: SATA and SAS drives, by what they count themselves.

Their own verdict on their health is critical-warning's, and so is that nothing of them could be read. A drive that
sleeps is not judged: it is not woken for a reading.
"""

import re
from collections.abc import Iterator
from typing import Any

from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.box_record import WEEK, BoxRecord, Growth, key_of, name_drive
from laneproof.past.past import Past
from laneproof.rules.cannot_tell import cannot_tell
from laneproof.rules.cautions import DEGRADED_ARRAY, OPEN_CASE
from laneproof.rules.example_box import A_MORNING, Box
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import SataDrive, Snapshot
from laneproof_collectors.unread import Unread

SECTORS, INTERFACE, SELF_TEST = "sectors-failing", "interface-errors", "self-test-failed"

_MORE_THAN_A_PLUG = 10
"""A handful of checksum errors may date from one bad plug; judged only while the drive is young. Judgement."""
_YOUNG_HOURS = 1000
_TEST_RESULT = re.compile(r"[^:]*: (.*) at \S+ h")
_TEST_FAULTS = re.compile(r"fail|fatal|damage", re.IGNORECASE)
"""Words of the standard's results: read failure, electrical failure, servo/seek failure, fatal or unknown error,
handling damage. Source: ACS-3, Self-test execution status; SPC-4, Self-test results (both from memory)."""


def _awake(build: Build | None, snapshot: Snapshot) -> Iterator[tuple[Arrangement, Occupant, SataDrive]]:
    arrangement = arrange(build, snapshot)
    for occupant in arrangement.drives:
        drive = occupant.drive
        # What nothing can be read of is told by critical-warning, once.
        if drive is not None and not drive.asleep and not isinstance(drive.healthy, Unread):
            yield arrangement, occupant, drive


# --- sectors-failing --------------------------------------------------------------------------------------------------

_KINDS = (
    ("pending_sectors", "waiting to be reallocated (unreadable now)", Severity.WARNING),
    ("uncorrectable_sectors", "that could not be corrected", Severity.WARNING),
    ("reallocated_sectors", "reallocated", Severity.NOTICE),
)


def _judge_sectors(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    for arrangement, occupant, drive in _awake(build, snapshot):
        counts = {name: getattr(drive, name) for name, _, _ in _KINDS}
        said = [
            (f"{counts[name]} sectors {words}", severity) for name, words, severity in _KINDS if _is_some(counts[name])
        ]
        gap = next((count for count in counts.values() if isinstance(count, Unread)), None)
        if said:
            key = key_of("drive", name_drive(drive), "reallocated_sectors")
            rose = past.box.grown(key, within=WEEK, now=snapshot.taken_at)
            if rose:
                said.append((f"{rose} of them reallocated in the last 7 days", Severity.WARNING))
            yield _tell(SECTORS_FAILING, arrangement, occupant, said, {**counts, "reallocated_last_week": rose})
        elif gap is not None:
            yield _cannot(SECTORS, arrangement, occupant, gap)


def _is_some(count: object) -> bool:
    return isinstance(count, int) and count > 0


# --- interface-errors -------------------------------------------------------------------------------------------------


def _judge_interface(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    for arrangement, occupant, drive in _awake(build, snapshot):
        count = drive.interface_errors
        if isinstance(count, Unread):
            yield _cannot(INTERFACE, arrangement, occupant, count)
        if not isinstance(count, int) or not count:
            continue
        key = key_of("drive", name_drive(drive), "interface_errors")
        lately = past.box.grown(key, within=WEEK, now=snapshot.taken_at)
        hours = drive.power_on_hours
        is_young = isinstance(hours, int) and hours < _YOUNG_HOURS
        evidence = {"interface_errors": count, "last_week": lately, "power_on_hours": _plain(hours)}
        if lately:
            said = [(f"{lately} transfers over its cable failed in the last 7 days", Severity.WARNING)]
            yield _tell(INTERFACE_ERRORS, arrangement, occupant, said, evidence)
        elif count >= _MORE_THAN_A_PLUG and is_young and past.box.watched(key, now=snapshot.taken_at) < WEEK:
            said = [(f"{count} transfers over its cable failed in its {hours} powered hours", Severity.NOTICE)]
            yield _tell(INTERFACE_ERRORS, arrangement, occupant, said, evidence)


# --- self-test-failed -------------------------------------------------------------------------------------------------


def _judge_self_test(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    for arrangement, occupant, drive in _awake(build, snapshot):
        told = drive.last_self_test
        if isinstance(told, Unread):
            yield _cannot(SELF_TEST, arrangement, occupant, told)
        elif told is not None and has_failed(told):
            said = [(f"its last self-test failed ({told})", Severity.CRITICAL)]
            yield _tell(SELF_TEST_FAILED, arrangement, occupant, said, {"last_self_test": told})


def has_failed(self_test: str) -> bool:
    """Whether a self-test's result says that the drive failed it; one that was stopped says nothing.

    Args:
        self_test: ``Extended offline: Completed: read failure at 34001 h``.
    """
    match = _TEST_RESULT.fullmatch(self_test)
    return _TEST_FAULTS.search(match[1] if match else self_test) is not None


# --- telling ----------------------------------------------------------------------------------------------------------


def _tell(
    rule: Rule,
    arrangement: Arrangement,
    occupant: Occupant,
    said: list[tuple[str, Severity]],
    evidence: dict[str, object],
) -> Finding:
    label = arrangement.place_of(occupant)
    name = f"{label} ({occupant.name})" if label else occupant.name
    return Finding(
        rule=rule.name,
        kind=Kind.SIGN,
        severity=max((severity for _, severity in said), key=lambda one: one.rank),
        position=label,
        subject=occupant.name,
        key=_key(occupant),
        summary=f"{name}: {'; '.join(text for text, _ in said)}",
        evidence={key: _plain(value) for key, value in evidence.items()},
        next_steps=rule.look_next,
    )


def _cannot(rule: str, arrangement: Arrangement, occupant: Occupant, gap: Unread) -> Finding:
    label = arrangement.place_of(occupant)
    about = f"{rule.replace('-', ' ')} of {label or occupant.name}"
    return cannot_tell(rule, gap, about=about, key=_key(occupant), position=label)


def _plain(value: object) -> object:
    return str(value) if isinstance(value, Unread) else value


def _key(occupant: Occupant) -> str:
    return occupant.serial if isinstance(occupant.serial, str) and occupant.serial else occupant.own_path


# --- the rules --------------------------------------------------------------------------------------------------------

_PATH = "0000:00/17.0/ata-1"
_BUILD = """
schema = 1
box.name = "kelp-1"
position = [{ label = "bay-1", path = "0000:00/17.0/ata-1" }]
"""


def _box(**facts: Any) -> Snapshot:  # noqa: ANN401 (any fact of the drive)
    return Box().with_device("0000:00/17.0", class_code=0x010601).with_sata_drive(_PATH, **facts).snapshot()


def _grew(counter: str, amount: int) -> Past:
    growth = Growth(since=A_MORNING - 2 * WEEK, last=amount, boot_id="", hours=((A_MORNING - 7200.0, amount),))
    return Past(box=BoxRecord(growth={key_of("drive", "GSsda", counter): growth}))


SECTORS_FAILING = Rule(
    name=SECTORS,
    kind=Kind.SIGN,
    statement="No SATA or SAS drive has sectors that it lost, or is about to lose.",
    why=(
        "A sector that waits for reallocation cannot be read now: what was in it is gone from this drive. A drive that "
        "begins to lose sectors tends to go on; many live long with a few, so the count that grows is what matters."
    ),
    look_next=(
        "Make sure that a good backup of this drive's data exists, and that its array is whole (array-degraded).",
        "Let its array be checked when the box is quiet: that rewrites a sector that cannot be read.",
        "Let the drive run its own long self-test, and order a spare; replace the drive if the count grows.",
        DEGRADED_ARRAY,
        OPEN_CASE,
    ),
    judge=_judge_sectors,
    examples=(
        Example(says="no sector was lost", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="eight sectors cannot be read",
            build=_BUILD,
            snapshot=lambda: _box(pending_sectors=8),
            expect=(Kind.SIGN,),
        ),
        Example(
            says="16 sectors were reallocated, all of them this week",
            build=_BUILD,
            snapshot=lambda: _box(reallocated_sectors=16),
            past=_grew("reallocated_sectors", 16),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=(
        "Attributes 5, 197 and 198: makers agree on these (common practice, no source); SAS: grown defects",
        "Pinheiro, Weber, Barroso: Failure Trends in a Large Disk Drive Population, FAST 2007 (from memory)",
    ),
)

INTERFACE_ERRORS = Rule(
    name=INTERFACE,
    kind=Kind.SIGN,
    statement="The transfers between a SATA or SAS drive and its controller do not fail.",
    why=(
        "These are counted on the cable, not on the medium: each was noticed and repeated, so no data is harmed yet. "
        "They point at cable, connector, backplane or power, and a drive replaced for them is replaced for nothing."
    ),
    look_next=(
        "Shut the box down and reseat both ends of the cable; then try another cable. " + OPEN_CASE,
        "See whether other drives on the same backplane, controller or power lead count them too.",
        "The count never falls: what matters is that it no longer grows.",
    ),
    judge=_judge_interface,
    examples=(
        Example(says="none were counted", build=_BUILD, snapshot=_box, expect=()),
        Example(
            says="an old drive has some of long ago",
            build=_BUILD,
            snapshot=lambda: _box(interface_errors=12, power_on_hours=34000),
            expect=(),
        ),
        Example(
            says="three more this week",
            build=_BUILD,
            snapshot=lambda: _box(interface_errors=15),
            past=_grew("interface_errors", 3),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("Attribute 199: makers agree on it (common practice, no source); SAS: phy error counts",),
)

SELF_TEST_FAILED = Rule(
    name=SELF_TEST,
    kind=Kind.SIGN,
    statement="The last self-test of each SATA or SAS drive did not fail.",
    why="A drive that fails its own test has found, by itself and without any cable, something that it cannot do.",
    look_next=(
        "Make sure that a good backup of this drive's data exists, now.",
        "Read failure: see sectors-failing, and let its array be checked. Any other failure: replace the drive.",
        DEGRADED_ARRAY,
        OPEN_CASE,
    ),
    judge=_judge_self_test,
    examples=(
        Example(
            says="the last test completed without error",
            build=_BUILD,
            snapshot=lambda: _box(last_self_test="Short offline: Completed without error at 33000 h"),
            expect=(),
        ),
        Example(
            says="the last test met a sector that it could not read",
            build=_BUILD,
            snapshot=lambda: _box(last_self_test="Extended offline: Completed: read failure at 34001 h"),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("ACS-3 and SPC-4: results of self-tests (from memory)",),
)
