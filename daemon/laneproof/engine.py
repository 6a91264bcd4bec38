"""The engine: from one pass's facts to findings and their changes. Pure: the same live, on a recording and in replay.

It joins rules, what earlier passes left behind and the life of findings; it reads nothing and tells nobody.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from laneproof.build.declaration import Build
from laneproof.findings import Finding, FindingChange
from laneproof.ledger.box_book import carry
from laneproof.lifecycle import Identity, Life, Step, advance
from laneproof.past import Boot, LinkLimits, Past
from laneproof.rules import judge_all
from laneproof.topology import survey
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

LIVE_CONFIRMATIONS: Mapping[str, int] = {
    "link-slow": 3,
    "link-narrow": 3,
    "link-above-plan": 3,
}
"""How many readings in a row a rule needs on a live machine: a link that is retraining at the moment of one reading is
no finding. In a replay one frame is a confirmed reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one pass came to.

    Attributes:
        snapshot: The facts judged.
        findings: The findings that stand, each with the time since when.
        changes: What changed with this pass.
        waiting: Whether another reading soon would confirm something.
    """

    snapshot: Snapshot
    findings: tuple[Finding, ...]
    changes: tuple[FindingChange, ...]
    waiting: bool


class Engine:
    """Judges one machine pass after pass."""

    def __init__(self, build: Build | None, *, confirmations: Mapping[str, int] | None = None) -> None:
        """Begin with a first look.

        Args:
            build: The declaration, None where there is none.
            confirmations: Readings in a row that a rule needs, by rule; 1 for the others.
        """
        self.build = build
        self._confirmations = confirmations or {}
        self._lives: Mapping[Identity, Life] = {}
        self._past = Past()
        self._limits: dict[str, LinkLimits] = {}

    def restore(self, findings: tuple[Finding, ...], past: Past) -> None:
        """Go on where an earlier run stopped: its standing findings, and what it knew of earlier boots."""
        self._lives = {one.identity: Life(finding=one, readings=1, raised=True) for one in findings}
        self._past = past

    @property
    def past(self) -> Past:
        """What is known of earlier passes, to be kept over a restart."""
        return self._past

    def observe(self, snapshot: Snapshot) -> Outcome:
        """Judge one pass."""
        self._note_boot(snapshot)
        self._past = replace(self._past, box=carry(self._past.box, snapshot))
        findings = judge_all(self.build, snapshot, self._past)
        step: Step = advance(self._lives, findings, now=snapshot.taken_at, confirmations=self._confirmations)
        self._lives = step.lives
        self._past = replace(self._past, previous=snapshot)
        self._limits = _find_limits(snapshot) or self._limits
        return Outcome(snapshot=snapshot, findings=step.raised, changes=step.changes, waiting=step.waiting)

    def _note_boot(self, snapshot: Snapshot) -> None:
        """Remember each boot, and the limits of the last one that ran another BIOS."""
        boot = _describe_boot(snapshot)
        boots = self._past.boots
        if not boot.boot_id or (boots and boots[-1].boot_id == boot.boot_id):
            return
        last = boots[-1] if boots else None
        limits = self._past.earlier_limits
        if last and (last.bios_version, last.bios_date) != (boot.bios_version, boot.bios_date):
            limits = dict(self._limits)
        self._past = replace(self._past, boots=(*boots, boot), earlier_limits=limits)


def _describe_boot(snapshot: Snapshot) -> Boot:
    firmware = snapshot.firmware
    if isinstance(firmware, Unread):
        return Boot(boot_id="", first_seen_at=snapshot.taken_at)
    return Boot(
        boot_id=snapshot.boot_id,
        first_seen_at=snapshot.taken_at,
        bios_version=_text(firmware.bios_version),
        bios_date=_text(firmware.bios_date),
        kernel_release=_text(firmware.kernel_release),
    )


def _text(value: str | Unread | None) -> str | None:
    return value if isinstance(value, str) else None


def _find_limits(snapshot: Snapshot) -> dict[str, LinkLimits]:
    """Note what each port aimed at and could do, by path."""
    topology = survey(snapshot)
    limits: dict[str, LinkLimits] = {}
    for path, function in topology.functions.items():
        if function.is_bridge and (link := topology.link_at(path)) is not None:
            lanes = link.port_lanes.value
            limits[path] = LinkLimits(
                boot_id=snapshot.boot_id,
                target_gt_s=_number(link.target_gt_s),
                capable_gt_s=_number(link.port_gt_s.value),
                capable_lanes=int(lanes) if isinstance(lanes, int | float) else None,
                aspm_enabled=link.port_registers.aspm_enabled if link.port_registers else None,
            )
    return limits


def _number(value: float | Unread | None) -> float | None:
    return value if isinstance(value, int | float) else None
