"""The next steps of findings for a screen: at most five each, and every caution once, apart from the steps."""

from collections.abc import Iterable, Sequence

from laneproof.findings import Finding
from laneproof.rules.cautions import CAUTIONS

MOST_STEPS = 5
CAUTION_HEADING = "Before you touch the box"


def list_steps(finding: Finding) -> tuple[str, ...]:
    """List the steps of a finding, without the cautions that stand among them or at their ends.

    Args:
        finding: Any finding.
    """
    steps = []
    for step in finding.next_steps:
        plain = step
        for caution in CAUTIONS:
            plain = plain.replace(caution, "")
        if (plain := " ".join(plain.split())) and plain not in steps:
            steps.append(plain)
    return tuple(steps[:MOST_STEPS])


def list_cautions(findings: Iterable[Finding]) -> tuple[str, ...]:
    """List each caution that any finding carries, once.

    Args:
        findings: What a screen shows.
    """
    steps: Sequence[str] = [step for finding in findings for step in finding.next_steps]
    return tuple(caution for caution in CAUTIONS if any(caution in step for step in steps))
