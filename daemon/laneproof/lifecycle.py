"""The life of a finding from pass to pass: seen, confirmed, raised, changed, cleared. A table, and nothing else.

| state | seen again | not seen |
| --- | --- | --- |
| unknown | waiting, or raised where one reading is enough | - |
| waiting | raised once enough readings agree in a row | forgotten |
| raised | stays; changed where its substance moved | cleared |

What could not be read this time is not cleared: the rule then says *unverified* under the same identity, a change.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from laneproof.findings import Change, Finding, FindingChange, Kind

Identity = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """Where one finding stands.

    Attributes:
        finding: As last seen, with `since` set.
        readings: How many passes in a row saw it.
        raised: Whether it was told.
    """

    finding: Finding
    readings: int
    raised: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one pass made of the findings."""

    lives: Mapping[Identity, Life]
    changes: tuple[FindingChange, ...]

    @property
    def raised(self) -> tuple[Finding, ...]:
        """The findings that stand."""
        return tuple(life.finding for life in self.lives.values() if life.raised)

    @property
    def waiting(self) -> bool:
        """Whether another reading soon would confirm something."""
        return any(not life.raised for life in self.lives.values())


def advance(
    lives: Mapping[Identity, Life],
    findings: Iterable[Finding],
    *,
    now: float,
    confirmations: Mapping[str, int] | None = None,
    is_new_reading: bool = True,
) -> Step:
    """Take all findings one pass further.

    Args:
        lives: Where they stood.
        findings: What the rules said in this pass.
        now: The pass's time, unix seconds.
        confirmations: How many readings in a row a rule needs, by rule; 1 where it is not named.
        is_new_reading: Whether what needs confirming was read anew; the same reading, judged twice, confirms nothing.

    Returns:
        Where they stand now, and the changes in the order: cleared, then as the rules spoke.
    """
    needed = confirmations or {}
    seen: dict[Identity, Finding] = {}
    for finding in findings:
        seen.setdefault(finding.identity, finding)
    changes = [
        FindingChange(at=now, change=Change.CLEARED, finding=life.finding)
        for identity, life in lives.items()
        if life.raised and identity not in seen
    ]
    after: dict[Identity, Life] = {}
    for identity, finding in seen.items():
        life, change = _see(lives.get(identity), finding, now, needed.get(finding.rule, 1), more=int(is_new_reading))
        after[identity] = life
        if change is not None:
            changes.append(FindingChange(at=now, change=change, finding=life.finding))
    return Step(lives=after, changes=tuple(changes))


def _see(life: Life | None, finding: Finding, now: float, needed: int, *, more: int) -> tuple[Life, Change | None]:
    since = now if life is None or life.finding.since is None else life.finding.since
    finding = finding if finding.since is not None else replace(finding, since=since)
    readings = 1 if life is None else life.readings + more
    if life is not None and life.raised:
        moved = finding.substance != life.finding.substance
        return Life(finding=finding, readings=readings, raised=True), Change.CHANGED if moved else None
    # An unread value needs no second reading: it claims nothing about the machine.
    raised = readings >= needed or finding.kind is Kind.UNVERIFIED
    return Life(finding=finding, readings=readings, raised=raised), Change.RAISED if raised else None
