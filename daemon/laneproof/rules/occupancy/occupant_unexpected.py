"""occupant-unexpected: drives where none is declared."""

from collections.abc import Iterator

from laneproof.advice import LIVE_DRIVE, OPEN_CASE, advise
from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.occupancy.descriptions import describe_found, moved_step
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof.rules.sign_subjects import is_returning_guest


def _judge(current: Pass) -> Iterator[Finding]:
    if current.build is None:
        return
    arrangement = current.arrangement
    for placement in arrangement.placements:
        if placement.is_meant_empty and placement.occupant is not None and placement.is_occupied:
            yield _report_unexpected(arrangement, placement.occupant, placement.label)
    if current.build.box.undeclared == "report":
        for stray in arrangement.undeclared_drives():
            finding = _report_unexpected(arrangement, stray, None)
            if finding.identity in current.past.standing or not is_returning_guest(current, stray):
                yield finding


def _report_unexpected(arrangement: Arrangement, occupant: Occupant, label: str | None) -> Finding:
    home = arrangement.belongs_to(occupant)
    where = f"{label}, declared empty" if label else f"{occupant.path}, which is no declared position"
    moved = f"; it is declared for {home}" if home else ""
    serial = occupant.serial if isinstance(occupant.serial, str) and occupant.serial else None
    return OCCUPANT_UNEXPECTED.report(
        severity=Severity.WARNING if home else Severity.NOTICE,
        position=label,
        subject=occupant.name,
        key=serial or occupant.own_path,
        summary=f"{occupant.name} ({describe_found(occupant)}) is in {where}{moved}",
        declared="nothing",
        observed=describe_found(occupant),
        evidence={"path": occupant.path, "address": occupant.address, "declared_for": home},
        next_steps=advise(moved_step(home, label or occupant.path)) if home else OCCUPANT_UNEXPECTED.next_steps,
    )


OCCUPANT_UNEXPECTED = Rule(
    name="occupant-unexpected",
    kind=Kind.DIFFERS,
    statement="Positions declared empty are empty, and each drive of the box is in a declared position.",
    why=(
        "A drive that nobody declared may be somebody's only copy of something, or a sign that devices are not where "
        "the declaration has them."
    ),
    next_steps=advise(
        "If it belongs here, declare it: 'laneproof draft --update FILE' adds it.",
        'If such drives are none of this program\'s business, set undeclared = "ignore" under [box].',
        "Before taking it out, find out whose it is and what is on it. " + LIVE_DRIVE + " " + OPEN_CASE,
    ),
    judge=_judge,
    examples=(
        holds("the spare position is empty, as declared"),
        differs(
            "a drive is in the spare position",
            "nvme0 (nvme Fulmar N4, 4 TB, serial FN0009) is in spare, declared empty",
        ),
        differs(
            "a drive is in no declared position",
            "nvme0 (nvme Fulmar N4, 4 TB, serial FN0009) is in 0000:00/01.2, which is no declared position",
        ),
    ),
)
