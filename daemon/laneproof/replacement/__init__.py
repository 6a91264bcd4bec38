"""The replacement guide: may a drive be taken out now, what must not be touched, the steps, and does the new one fit.

Pure: it judges what was read, and runs nothing.
"""

from collections.abc import Sequence

from laneproof.box.names import Position
from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.findings import Finding
from laneproof.past.past import NO_PAST, Past
from laneproof.replacement.fit import Fit, FitItem, check_new_drive, is_new_drive
from laneproof.replacement.guide import Guide, GuideStep, Keep, Safety, SafetyReason, Weight
from laneproof.replacement.safety import Facts, list_keeps, weigh
from laneproof.replacement.steps import list_steps
from laneproof_collectors.snapshot import Snapshot

__all__ = [
    "Fit",
    "FitItem",
    "Guide",
    "GuideStep",
    "Keep",
    "Safety",
    "SafetyReason",
    "Weight",
    "check_new_drive",
    "is_new_drive",
    "make_guide",
]


def make_guide(
    position: Position, build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], past: Past = NO_PAST
) -> Guide:
    """Make the guide for one position; the daemon's own findings know more than those of one pass."""
    facts = Facts(
        position=position,
        arrangement=arrange(build, snapshot),
        findings=findings,
        past=past,
        now=snapshot.taken_at,
    )
    keep = list_keeps(facts)
    return Guide(position=position, reasons=weigh(facts), keep=keep, steps=list_steps(facts, keep))
