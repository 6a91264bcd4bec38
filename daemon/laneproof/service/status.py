"""What the daemon last found out, as one value: the HTTP threads read it, only the loop replaces it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from laneproof.declaration.build import Build
from laneproof.engine import PassResult
from laneproof.findings import FindingChange
from laneproof.proof.run_record import ProofRun
from laneproof.service.evidence_ring import RingState

MOST_RECENT = 50
"""How many changes are published."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorRun:
    """How one collector's last pass went."""

    finished_at: float  # unix seconds
    seconds: float
    failed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonStatus:
    """The latest state.

    Attributes:
        build: The declaration in force, None where there is none.
        build_problem: Why the newest declaration is not in force, None where it is.
        last_pass: The last judged pass, None before the first.
        runs: The collectors' last passes, by group.
        overdue: The collectors that were sent for and stay away, with the seconds that they are away.
        changes: How often findings were raised, changed and cleared since the start, by change and severity.
        recent: The latest changes of findings, the newest first, of earlier runs too.
        ring: How the evidence ring stands, None where there is none.
        proofs: The last acceptance run of the box, and those of one position since.
        lost_records: How many records of the kernel's log were overwritten before they were read.
        complete: Whether every collector has answered once, or was given up on for now.
        disconnects: How often a drive dropped off the bus since the start, by path; 0 for a declared position.
        judged_at: Monotonic seconds of the last judged pass, None before the first and for a recording.
        alive_at: Monotonic seconds at which the loop last went round.
    """

    build: Build | None = None
    build_problem: str | None = None
    last_pass: PassResult | None = None
    runs: Mapping[str, CollectorRun] = field(default_factory=dict)
    overdue: Mapping[str, float] = field(default_factory=dict)
    changes: Mapping[tuple[str, str], int] = field(default_factory=dict)
    recent: tuple[FindingChange, ...] = ()
    ring: RingState | None = None
    proofs: tuple[ProofRun, ...] = ()
    lost_records: int = 0
    complete: bool = False
    disconnects: Mapping[str, int] = field(default_factory=dict)
    judged_at: float | None = None
    alive_at: float = 0.0

    def age(self, now: float) -> float | None:
        """Give how long ago the last pass was judged, by the monotonic clock; None where that is not known."""
        return None if self.judged_at is None else now - self.judged_at
