"""The life of a finding from pass to pass: seen, confirmed, raised, changed, cleared.

| state | seen again | not seen |
| --- | --- | --- |
| unknown | waiting, or raised where one pass is enough | - |
| waiting | raised once the rule reported it in as many passes in a row as it needs | forgotten |
| raised | stays; changed where its substance moved | cleared |

What could not be read this time is not cleared: the rule then says *unverified* under the same identity, a change.

Where several drives are lost one after the other, the likely cause of the first changes as more is known. A change of
cause alone is therefore held back while anything else was raised or changed within the last minute, and for a minute at
most; what stands has the newest cause all the time.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from laneproof.findings import Change, Finding, FindingChange, Kind

Identity = tuple[str, str]

SETTLE_SECONDS = 60.0
"""How long a change of cause alone may wait to be reported. Chosen; no source: what belongs together comes soon."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """Where one finding stands."""

    finding: Finding  # as last seen, with `since` set
    passes: int  # how many passes in a row saw it
    raised: bool  # whether it was reported
    # as last reported; None where it was not yet, or after a restart, when `finding` counts
    reported: Finding | None = None
    # when it was raised, or changed in more than its cause, unix seconds; None where nobody knows
    reported_at: float | None = None
    # since when its substance is another than the one reported; None where it is the same
    differs_from_report_since: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LivesAfterPass:
    """What one pass made of the findings."""

    lives: Mapping[Identity, Life]
    changes: tuple[FindingChange, ...]

    @property
    def raised(self) -> tuple[Finding, ...]:
        """The findings that stand."""
        return tuple(life.finding for life in self.lives.values() if life.raised)

    @property
    def waiting(self) -> bool:
        """Whether another pass soon would confirm something."""
        return any(not life.raised for life in self.lives.values())


def advance(
    lives: Mapping[Identity, Life],
    findings: Iterable[Finding],
    *,
    now: float,
    confirmations: Mapping[str, int] | None = None,
    is_read_again: bool = True,
) -> LivesAfterPass:
    """Take all findings one pass further.

    Args:
        lives: Where they stood.
        findings: What the rules said in this pass. Of several with one identity (rule and position) the first counts,
            the others are dropped.
        now: The pass's time, unix seconds.
        confirmations: In how many passes in a row a rule must report it, by rule; 1 where it is not named.
        is_read_again: Whether what needs confirming was read again; the same facts, judged twice, confirm nothing.

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
    after = {
        identity: _see(lives.get(identity), finding, now, needed.get(finding.rule, 1), more=int(is_read_again))
        for identity, finding in seen.items()
    }
    is_moving = any(
        life.reported_at is not None and 0 <= now - life.reported_at < SETTLE_SECONDS for life in after.values()
    )
    for identity, life in after.items():
        after[identity], change = _report(life, now, is_moving=is_moving)
        if change is not None:
            changes.append(FindingChange(at=now, change=change, finding=life.finding))
    return LivesAfterPass(lives=after, changes=tuple(changes))


def _see(life: Life | None, finding: Finding, now: float, needed: int, *, more: int) -> Life:
    """Take one finding one pass further, and note when it is reported."""
    since = now if life is None or life.finding.since is None else life.finding.since
    finding = finding if finding.since is not None else replace(finding, since=since)
    passes = 1 if life is None else life.passes + more
    if life is not None and life.raised:
        reported = life.reported or life.finding
        reported_at = life.reported_at if _differ_in_cause_alone(reported, finding) else now
        differs_since = None
        if finding.substance != reported.substance:
            differs_since = now if life.differs_from_report_since is None else life.differs_from_report_since
        seen = replace(life, finding=finding, passes=passes)
        return replace(seen, reported=reported, reported_at=reported_at, differs_from_report_since=differs_since)
    # An unread value needs no second pass: it claims nothing about the machine.
    raised = passes >= needed or finding.kind is Kind.UNVERIFIED
    return Life(finding=finding, passes=passes, raised=raised, reported_at=now if raised else None)


def _report(life: Life, now: float, *, is_moving: bool) -> tuple[Life, Change | None]:
    """Say what is to be reported of a finding now, if anything."""
    if not life.raised:
        return life, None
    reported = replace(life, reported=life.finding, differs_from_report_since=None)
    if life.reported is None:
        return reported, Change.RAISED
    if life.differs_from_report_since is None:
        return life, None
    waits = is_moving and now - life.differs_from_report_since < SETTLE_SECONDS
    if waits and _differ_in_cause_alone(life.reported, life.finding):
        return life, None
    return reported, Change.CHANGED


def _differ_in_cause_alone(reported: Finding, finding: Finding) -> bool:
    """Whether nothing but the first cause has moved, if that."""
    return replace(finding, causes=reported.causes).substance == reported.substance
