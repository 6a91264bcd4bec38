"""The next steps of findings for a screen: the steps without their cautions, and each caution once for all of them."""

from collections.abc import Iterable

from laneproof.advice import CAUTIONS, MOST_STEPS, split_step
from laneproof.findings import Finding

CAUTION_HEADING = "Before you touch the box"


def list_steps(*findings: Finding) -> tuple[str, ...]:
    """List the steps of findings that are shown as one, the most severe first, without their cautions, five at most."""
    steps = (split_step(step).says for finding in findings for step in finding.next_steps)
    return tuple(dict.fromkeys(step for step in steps if step))[:MOST_STEPS]


def list_cautions(findings: Iterable[Finding], *, most_steps: int = MOST_STEPS) -> tuple[str, ...]:
    """List the cautions of so many steps of each finding on a screen, each once."""
    shown = (step for finding in findings for step in finding.next_steps[:most_steps])
    carried = {caution for step in shown for caution in split_step(step).cautions}
    return tuple(caution for caution in CAUTIONS if caution in carried)
