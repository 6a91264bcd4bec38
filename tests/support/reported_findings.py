"""Findings for the tests of what is sent: a drive, a setting, a notice, each with what a message says of it."""

from dataclasses import replace

from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof.outputs.cases_json import PositionFacts

T = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
POSITIONS = {f"riser-{number}": PositionFacts(slot="riser", serial=f"FN-{number}") for number in (1, 2, 3, 4)}
POSITIONS["deck-1"] = PositionFacts(serial="CN-1")

NARROW = Finding(
    rule="link-narrow",
    kind=Kind.DIFFERS,
    severity=Severity.WARNING,
    position="riser-3",
    subject="0000:03:00.0",
    summary="riser-3 trained at x2, declared x4",
    declared="x4",
    observed="x2",
    causes=(Cause(cause="signal-path", probability=0.77, because=("a flexible cable is between",)),),
    next_steps=("Start cold, then audit again.",),
    since=T,
)
SETTING = Finding(
    rule="power-setting-differs",
    kind=Kind.DIFFERS,
    severity=Severity.WARNING,
    subject="aspm_policy",
    summary="aspm_policy is default, declared performance",
    declared="performance",
    observed="default",
    since=T,
)


def at(
    position: str | None, finding: Finding = NARROW, *, rule: str = "", severity: str = "", cause: str = ""
) -> Finding:
    """Give a finding at another position, of another rule, louder, or of another cause."""
    causes = (Cause(cause=cause, probability=0.8),) if cause else finding.causes
    return replace(
        finding,
        position=position,
        rule=rule or finding.rule,
        severity=Severity(severity or finding.severity),
        causes=causes,
    )
