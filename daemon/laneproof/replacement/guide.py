"""What a replacement guide says, as values: whether it is safe now and why, what must not be touched, the steps."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from laneproof.box.names import Position


class Safety(StrEnum):
    """Whether the drive may be taken out now."""

    SAFE = "safe"
    NOT_SAFE = "not-safe"
    UNVERIFIED = "unverified"


class Weight(StrEnum):
    """What a reason does to the answer; the heaviest first."""

    STOPS = "stops"  # not now
    DOUBTS = "doubts"  # something that decides could not be read, or speaks against it
    MIND = "mind"  # to be known, and no reason to wait
    SPEAKS_FOR = "speaks-for"


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyReason:
    """One reason, in a sentence with the figures, and what to do about it first."""

    weight: Weight
    says: str
    do: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """One position that must not be touched: who is in it, and what would be lost.

    `path` is None where the kernel shows no position for the drive; then the drive's own name stands for it.
    """

    path: str | None
    name: str
    drive: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideStep:
    """One step; its commands are to be read and adapted first, for laneproof runs none of them."""

    title: str
    says: tuple[str, ...] = ()
    commands: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """The whole guide for one position; the heaviest reasons first."""

    position: Position
    reasons: tuple[SafetyReason, ...]
    keep: tuple[Keep, ...]
    steps: tuple[GuideStep, ...]

    @property
    def safety(self) -> Safety:
        """The answer: one reason that stops is enough, and then one that doubts."""
        weights = {reason.weight for reason in self.reasons}
        if Weight.STOPS in weights:
            return Safety.NOT_SAFE
        return Safety.UNVERIFIED if Weight.DOUBTS in weights else Safety.SAFE

    def as_json(self) -> dict[str, Any]:
        """Give the guide as JSON."""
        occupant = self.position.occupant
        serial = occupant.serial if occupant else None
        return {
            "schema": 1,
            "position": self.position.declared.label if self.position.declared else None,
            "path": self.position.path,
            "drive": occupant.name if occupant else None,
            "serial": serial if isinstance(serial, str) else None,
            "safety": str(self.safety),
            "reasons": [
                {"weight": str(reason.weight), "says": reason.says, "do": reason.do or None} for reason in self.reasons
            ],
            "do_not_touch": [
                {"position": drive.name, "path": drive.path, "drive": drive.drive, "why": drive.why}
                for drive in self.keep
            ],
            "steps": [
                {
                    "title": step.title,
                    "says": list(step.says),
                    "commands": list(step.commands),
                    "cautions": list(step.cautions),
                }
                for step in self.steps
            ],
        }
