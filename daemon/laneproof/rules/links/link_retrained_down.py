"""link-retrained-down: a link that does not keep what it trained at."""

from collections.abc import Iterator

from laneproof.advice import RESEAT, SHORTER_PART, advise
from laneproof.box.link_rates import rate_of
from laneproof.declaration.tables import DeclaredPosition
from laneproof.evidence.link_training import settled
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.ledger import Ledger
from laneproof.past.link_training import Fall
from laneproof.rules.links.trainings import FEWEST_RECURRING, is_down, watched_trainings, write_training
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, Watched, make_sign

HOLD_SECONDS = 7 * DAY
"""How long the sign of a fall stays after the link came back. Our choice."""
_PASSING_SECONDS = 60.0
"""A link that is back this soon, and was seen low only briefly, was caught while it trained. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for watched, record, position in watched_trainings(current):
        if not record.falls:
            continue
        since = ledger.now - HOLD_SECONDS
        recent = [fall for fall in record.falls if is_down(fall, ledger) or (fall.back_at or fall.at) >= since]
        recent = [fall for fall in recent if not _is_planned(fall, position)]
        if len(recent) >= FEWEST_RECURRING or any(not was_passing(fall) for fall in recent):
            yield _report_fall(ledger, watched, recent)


def was_passing(fall: Fall) -> bool:
    """Whether a link was only caught while it trained: back at once, before its state had settled (T1)."""
    is_back = fall.back_at is not None and fall.back_at - fall.at < _PASSING_SECONDS
    return is_back and isinstance(settled(fall.readings), NotEnough)


def _is_planned(fall: Fall, position: DeclaredPosition | None) -> bool:
    plan = position.link if position else None
    if plan is None or plan.generation is None or plan.lanes is None:
        return False
    return fall.to_gt_s >= rate_of(plan.generation) and fall.to_lanes >= plan.lanes


def _report_fall(ledger: Ledger, watched: Watched, falls: list[Fall]) -> Finding:
    last = falls[-1]
    before, after = write_training(last.from_gt_s, last.from_lanes), write_training(last.to_gt_s, last.to_lanes)
    last_at = ledger.timeline.to_wall(last.at)
    now = "and is still there" if is_down(last, ledger) else "and has come back since"
    return make_sign(
        LINK_RETRAINED_DOWN,
        watched,
        severity=Severity.WARNING,
        summary=f"{watched.name} fell from {before} to {after} while running, at {write_time(last_at)}, {now}",
        observed="its link fell while running",
        evidence={
            "falls": len(falls),
            "from": before,
            "to": after,
            "last_at": format_time(last_at),
            "still_down": is_down(last, ledger),
        },
    )


LINK_RETRAINED_DOWN = Rule(
    name="link-retrained-down",
    kind=Kind.SIGN,
    statement="No link falls to a lower rate or width while the machine runs.",
    why=(
        "A link that can no longer keep its rate trains again at a lower one, by itself and without a word in the "
        "log. Not reported are a link that rests (its device sleeps, or saves power by itself), a limit that somebody "
        "set, and a link that was back within a minute, before three readings a second apart agreed, unless that is "
        "seen twice. The sign clears a week after the link came back, by itself or with the next boot."
    ),
    next_steps=advise("See whether the same link makes correctable errors (signal-errors).", RESEAT, SHORTER_PART),
    judge=_judge,
    examples=(
        holds("as it came up"),
        sign(
            "it came up at generation 4 and is now at 1",
            "riser-1 fell from 16 GT/s (generation 4) x4 to 2.5 GT/s (generation 1) x4 while running, at "
            "2026-09-21 17:13 UTC, and is still there",
        ),
    ),
    sources=("PCI Express Base Specification: Link Status, recovery and speed changes (from memory)",),
)
