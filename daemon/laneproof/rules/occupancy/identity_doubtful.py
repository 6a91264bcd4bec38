"""identity-doubtful: two drives with the same identity, a drive without one, or a drive that is not what it was."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from laneproof.advice import OPEN_CASE, Step, advise
from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement, is_same_text
from laneproof.findings import Finding, Kind, Severity, write_time
from laneproof.past.ledger import Ledger
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY

CLEAR_SECONDS = 7 * DAY
"""How long a change of identity is reported. Our choice."""

_NO_IDENTIFIERS = ("", "0", "none")


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    sharing: dict[str, list[Occupant]] = {}
    for occupant in arrangement.drives:
        for name, value in _identifiers(occupant):
            sharing.setdefault(f"{name} {value}", []).append(occupant)
    reported: set[tuple[str, str]] = set()
    for occupant in arrangement.drives:
        doubts = [*_find_doubts(occupant, sharing), *_find_changes(occupant, current.past.ledger)]
        if doubts:
            finding = _report(arrangement, occupant, doubts)
            reported.add(finding.identity)
            yield finding
    yield from _keep_twins(current, reported)


def _keep_twins(current: Pass, reported: set[tuple[str, str]]) -> Iterator[Finding]:
    """Repeat what was said of two drives with one serial number while one of them is out: it is no less doubtful."""
    for identity, finding in current.past.standing.items():
        if (
            identity[0] == IDENTITY_DOUBTFUL.name
            and identity not in reported
            and finding.serial in current.past.ledger.shared_serials
        ):
            here = current.arrangement.topology.occupant_at(finding.path)
            if here is None or not isinstance(here.serial, str) or here.serial.strip() == finding.serial:
                yield replace(finding, accepted=None)


def _identifiers(occupant: Occupant) -> Iterator[tuple[str, str]]:
    if isinstance(occupant.serial, str) and occupant.serial.strip().casefold() not in _NO_IDENTIFIERS:
        yield "serial number", occupant.serial.strip()
    for namespace in occupant.controller.namespaces if occupant.controller else ():
        for name, value in (("EUI-64", namespace.eui64), ("NGUID", namespace.nguid), ("UUID", namespace.uuid)):
            if value is not None and value.strip("0- :.") != "":
                yield name, value


def _find_doubts(occupant: Occupant, sharing: dict[str, list[Occupant]]) -> Iterator[str]:
    if isinstance(occupant.serial, str) and occupant.serial.strip().casefold() in _NO_IDENTIFIERS:
        yield "it reports no serial number, so it cannot be distinguished from another of its kind"
    for name, value in _identifiers(occupant):
        twins = [other.name for other in sharing[f"{name} {value}"] if not _is_same_drive(other, occupant)]
        if twins:
            yield f"its {name} {value} is that of {' and '.join(twins)} too"


def _is_same_drive(first: Occupant, other: Occupant) -> bool:
    """Whether both are the same drive: the device itself, or a second controller of a drive with two ports."""
    if first.own_path == other.own_path:
        return True
    ids = [occupant.controller.controller_id if occupant.controller else None for occupant in (first, other)]
    same = is_same_text(first.serial, str(other.serial)) and is_same_text(first.model, str(other.model))
    return same and all(isinstance(number, int) for number in ids) and ids[0] != ids[1]


def _find_changes(occupant: Occupant, ledger: Ledger) -> Iterator[str]:
    record = ledger.drives.of(occupant)
    if record is None:
        return
    since = ledger.now - CLEAR_SECONDS
    for at, what in record.doubts:
        if at >= since:
            yield f"{what}, since {write_time(ledger.timeline.to_wall(at))}"


def _report(arrangement: Arrangement, occupant: Occupant, doubts: Sequence[str]) -> Finding:
    serial = occupant.serial.strip() if isinstance(occupant.serial, str) else ""
    return IDENTITY_DOUBTFUL.report(
        severity=Severity.NOTICE,
        position=arrangement.label_of(occupant),
        subject=occupant.name,
        key=occupant.own_path,
        summary=f"{arrangement.full_name(occupant)}: {'; '.join(doubts)}",
        observed="; ".join(doubts),
        evidence={"path": occupant.path, "serial": serial or None, "doubts": list(doubts)},
    )


IDENTITY_DOUBTFUL = Rule(
    name="identity-doubtful",
    kind=Kind.SIGN,
    statement="Each drive reports an identity of its own, and stays what it was.",
    why=(
        "History follows a drive by its serial number. Two that report the same, or one that reports none, cannot be "
        "kept apart after a replacement; and a serial number whose model or capacity changed means another drive or "
        "another namespace. A drive with two ports shows the same number twice and is one drive. A change is reported "
        "for a week; a number that two drives share, until they were not seen together for a month."
    ),
    next_steps=advise(
        "If it was replaced or divided again on purpose, bring the declaration up to date.",
        Step("Compare the number on the drive's label with what it reports.", (OPEN_CASE,)),
    ),
    judge=_judge,
    examples=(
        holds("two drives, two serial numbers"),
        sign(
            "two drives report the same serial number",
            "riser-1 (nvme0): its serial number FN77 is that of nvme1 too",
            "riser-2 (nvme1): its serial number FN77 is that of nvme0 too",
        ),
        sign(
            "the same serial number comes with another capacity than yesterday",
            "riser-1 (nvme0): its capacity was 2000000000000 and is 4000000000000, since 2026-09-22 14:13 UTC",
        ),
    ),
    sources=("NVM Express Base Specification 2.0: Serial Number, EUI64, NGUID; practice of cheap drives: from memory",),
)
