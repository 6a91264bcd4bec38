"""The engine: from one pass's facts to findings and their changes. Pure: the same live, on a recording and in replay.

It joins the ledger of earlier passes, the rules, the diagnosis and the life of findings; it reads and writes nothing.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.diagnosis.finding_causes import explain
from laneproof.diagnosis.learning import correct_weights
from laneproof.diagnosis.weights import DEFAULT
from laneproof.findings import Finding, FindingChange
from laneproof.lifecycle import Identity, Life, LivesAfterPass, advance
from laneproof.past.box_record import BoxRecord, follow_box
from laneproof.past.episodes import Episode
from laneproof.past.ledger import DeviceInput, KernelInput, Ledger
from laneproof.past.notes import ConfirmedCause, Note, ProofNote
from laneproof.past.past import Past
from laneproof.past.saved_state import LedgerStateError
from laneproof.past.timeline import STEP_SECONDS
from laneproof.rules import RULES, judge_all
from laneproof.rules.recurring import find_recurring
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import GROUPS, Snapshot
from laneproof_collectors.unread import Unread

LIVE_CONFIRMATIONS: Mapping[str, int] = {
    "link-slow": 3,
    "link-narrow": 3,
    "link-above-limit": 3,
    "link-retrained-down": 3,
}
"""In how many passes in a row a rule must report it on a live machine: a link that is retraining at the moment of one
pass is no finding. In a replay one frame is a confirmed pass."""

STATE_NAME = "engine"
"""The name under which what `Engine.as_state` gives is kept."""


@cache
def _box_record_type() -> TypeAdapter[BoxRecord]:
    return TypeAdapter(BoxRecord)  # made when it is needed


@dataclass(frozen=True, slots=True, kw_only=True)
class PassResult:
    """What one pass came to."""

    snapshot: Snapshot
    findings: tuple[Finding, ...]
    changes: tuple[FindingChange, ...]
    waiting: bool  # whether another pass soon would confirm something
    episodes: tuple[Episode, ...] = ()  # episodes that are new or grew with this pass, each with what held before it


_GENERAL_STEPS = {rule.name: rule.next_steps for rule in RULES}


class Engine:
    """Judges one machine pass after pass."""

    def __init__(self, build: Build | None, *, confirmations: Mapping[str, int] | None = None) -> None:
        """Begin with a first pass.

        Args:
            build: The declaration, None where there is none.
            confirmations: In how many passes in a row a rule must report it, by rule; 1 for the others.
        """
        self.build = build
        self._last_build: Build | None = None
        self.declaration_problem: str | None = None
        self._confirmations = confirmations or {}
        self._lives: Mapping[Identity, Life] = {}
        self._past = Past()
        self._weights, self._causes_used = DEFAULT, 0

    # --- kept over a restart ------------------------------------------------------------------------------------------

    def restore(self, findings: tuple[Finding, ...], state: Mapping[str, Any] | None = None) -> None:
        """Go on where an earlier run stopped; what the owner wrote is added by `add_notes`.

        Args:
            findings: Its standing findings.
            state: What `as_state` gave; None where nothing was kept.

        Raises:
            LedgerStateError: The state is of another version, or damaged; everything else is restored all the same.
        """
        self._lives = {finding.identity: Life(finding=finding, passes=1, raised=True) for finding in findings}
        self._past = Past()
        if state is not None:
            ledger, box = Ledger.from_state(state.get("ledger", {})), _load_box(state.get("box", {}))
            self._past = Past(ledger=ledger, box=box)

    def as_state(self, *, stopped: bool | None = None) -> dict[str, Any]:
        """Give what the passes add up to as plain JSON values, for `restore`.

        Args:
            stopped: True where the watch is being stopped in good order, False where it goes on: if this is what the
                next boot finds, it broke off. None says neither.
        """
        end = {} if stopped is None else {"stopped": stopped}
        return {
            "ledger": self._past.ledger.as_state() | end,
            "box": _box_record_type().dump_python(self._past.box, mode="json"),
        }

    @property
    def past(self) -> Past:
        """What is known of earlier passes."""
        return self._past

    def add_notes(self, *, notes: tuple[Note, ...] = (), confirmed: tuple[ConfirmedCause, ...] = ()) -> None:
        """Add what the owner wrote; the next pass uses it."""
        self._past = replace(
            self._past, notes=(*self._past.notes, *notes), confirmed=(*self._past.confirmed, *confirmed)
        )

    def add_proof(self, note: ProofNote) -> None:
        """Add that an acceptance run began, or what it showed."""
        self._past.ledger.add_proof(note)

    # --- a pass -------------------------------------------------------------------------------------------------------

    def observe(
        self,
        snapshot: Snapshot,
        kernel_events: KernelInput = (),
        device_events: DeviceInput = (),
        *,
        read_again: Collection[str] = GROUPS,
    ) -> PassResult:
        """Judge one pass.

        Args:
            snapshot: The facts.
            kernel_events: What the kernel's log reported since the pass before; `Unread` where it could not be read.
            device_events: Which devices came and went since then; likewise.
            read_again: The groups of facts that were read since then.
        """
        arrangement = arrange(self.build, snapshot, shared_serials=self._past.ledger.shared_serials)
        timeline = self._past.ledger.timeline
        offset = timeline.offset if timeline.boots else None
        episodes = self._past.ledger.update(
            snapshot,
            kernel_events,
            device_events,
            build=self.build,
            topology=arrangement.topology,
            notes=self._past.notes,
            read_again=read_again,
        )
        self._past = replace(
            self._past,
            box=follow_box(self._past.box, snapshot, clock_set_by=_clock_jump(offset, timeline.offset)),
            standing={identity: life.finding for identity, life in self._lives.items() if life.raised},
            unread_logs={
                name: events
                for name, events in (("kernel-log", kernel_events), ("device-events", device_events))
                if isinstance(events, Unread)
            },
        )
        if len(self._past.confirmed) != self._causes_used:
            self._weights, self._causes_used = correct_weights(self._past.confirmed), len(self._past.confirmed)
        current = Pass(
            build=self.build,
            snapshot=snapshot,
            arrangement=arrangement,
            past=self._past,
            read_again=read_again,
            declaration_problem=self.declaration_problem,
        )
        ledger = self._past.ledger
        if self._past.previous is not None and self._last_build != self.build:
            ledger.recurrences.records.clear()  # what came and went against another declaration is over
        self._last_build = self.build
        judged = judge_all(current)
        ledger.recurrences.note(find_recurring(judged), ledger.timeline)
        findings = explain(judged, ledger, self._weights, general=_GENERAL_STEPS)
        after: LivesAfterPass = advance(
            self._lives,
            findings,
            now=snapshot.taken_at,
            confirmations=self._confirmations,
            is_read_again="functions" in read_again,  # what needs confirming is read with the functions
        )
        self._lives = after.lives
        self._past = replace(self._past, previous=snapshot)
        return PassResult(
            snapshot=snapshot, findings=after.raised, changes=after.changes, waiting=after.waiting, episodes=episodes
        )


def _clock_jump(before: float | None, now: float) -> float:
    """Give by how much the machine's clock was set between two passes, 0 for what a clock daemon corrects."""
    return now - before if before is not None and abs(now - before) > STEP_SECONDS else 0.0


def _load_box(state: object) -> BoxRecord:
    try:
        return _box_record_type().validate_python(state)
    except ValidationError as error:
        raise LedgerStateError(f"the kept counters of the box are damaged: {error.errors()[0]['msg']}") from error
