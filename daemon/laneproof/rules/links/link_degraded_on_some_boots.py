"""link-degraded-on-some-boots: a link that does not always reach what it can."""

from collections.abc import Iterator

from laneproof.advice import RESEAT, SHORTER_PART, advise
from laneproof.box.link_rates import rate_of
from laneproof.declaration.tables import DeclaredPosition
from laneproof.evidence.distributions import Bounds
from laneproof.evidence.link_training import clean_boots_needed, short_boots
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.link_training import LOOK_BACK_SECONDS, BootTraining, TrainingRecord
from laneproof.rules.links.trainings import FEWEST_RECURRING, watched_trainings, write_training
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import Watched, make_sign, say_times

_CLEAN_BOOTS = 20
"""So many good boots in a row clear the sign of a short one; to show that fewer than 5 % are short takes 59."""
_FEWEST_BOOTS = 2


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for watched, record, position in watched_trainings(current):
        if len(record.boots) < _FEWEST_BOOTS:
            continue
        recent = [boot for boot in record.boots if ledger.now - boot.at <= LOOK_BACK_SECONDS]
        boots = [boot for boot in recent if not (boot.at_rest and is_short(boot, record, position))]
        short = [boot for boot in boots if is_short(boot, record, position)]
        if not short or not any(boot not in short and boot.boot > short[0].boot for boot in boots):
            continue  # never short; or always since some boot, which the link's own rules report
        clean = [boot for boot in boots if boot.boot > short[-1].boot]
        if len(clean) < _CLEAN_BOOTS:
            yield _report_boots(watched, short, boots, position)


def is_short(boot: BootTraining, record: TrainingRecord, position: DeclaredPosition | None) -> bool:
    """Whether a link came up below what it should in one boot; a limit that was set is no shortness."""
    if boot.missing:
        return True
    gt_s, lanes = _expected(boot, record, position)
    target = boot.target_gt_s
    if target is not None and gt_s is not None and rate_of(1) < target < gt_s:
        gt_s = target
    return bool((gt_s is not None and boot.gt_s < gt_s) or (lanes is not None and boot.lanes < lanes))


def _expected(
    boot: BootTraining, record: TrainingRecord, position: DeclaredPosition | None
) -> tuple[float | None, int | None]:
    """Give what it should reach: its plan; else what both ends can do, or what it reached in other boots."""
    plan = position.link if position else None
    best_gt_s = max((boot.gt_s for boot in record.boots), default=0.0)
    best_lanes = max((boot.lanes for boot in record.boots), default=0)
    gt_s = min(boot.capable_gt_s or best_gt_s, best_gt_s)
    lanes = min(boot.capable_lanes or best_lanes, best_lanes)
    if plan is not None and plan.generation is not None:
        gt_s = min(gt_s, rate_of(plan.generation))
    if plan is not None and plan.lanes is not None:
        lanes = min(lanes, plan.lanes)
    return gt_s or None, lanes or None


def _report_boots(
    watched: Watched, short: list[BootTraining], boots: list[BootTraining], position: DeclaredPosition | None
) -> Finding:
    last, share = short[-1], short_boots(len(short), len(boots))
    reached = "nothing there at all" if last.missing else write_training(last.gt_s, last.lanes)
    usual = max((boot for boot in boots if boot not in short), key=lambda boot: (boot.gt_s, boot.lanes))
    return make_sign(
        LINK_DEGRADED_ON_SOME_BOOTS,
        watched,
        severity=Severity.WARNING if len(short) >= FEWEST_RECURRING else Severity.NOTICE,
        summary=(
            f"{watched.name} came up short on {len(short)} of {say_times(len(boots), 'boot')}: "
            f"last {reached}, else {write_training(usual.gt_s, usual.lanes)}"
        ),
        observed="comes up short on some boots",
        evidence={
            "short_boots": len(short),
            "boots": len(boots),
            "share_bounds": (round(share.lower, 4), round(share.upper, 4)) if isinstance(share, Bounds) else None,
            "clean_boots_to_show_below_5_percent": clean_boots_needed(0.05),
            "declared": position.link is not None if position else False,
        },
    )


LINK_DEGRADED_ON_SOME_BOOTS = Rule(
    name="link-degraded-on-some-boots",
    kind=Kind.SIGN,
    statement="Each link comes up whole on every boot.",
    why=(
        "A link that trains short, or not at all, on one boot in ten is marginal on the other nine. It shows only over "
        "several boots, with the same drive and the same parts between. A limit set by the firmware does not count, "
        "nor do boots in which the slower link was seen only at rest. The sign clears after twenty good boots, or "
        "half a year after the last short one."
    ),
    next_steps=advise(
        RESEAT, "Note how the next boots come up: a link that needs a second try needs more margin.", SHORTER_PART
    ),
    judge=_judge,
    examples=(
        holds("nine good boots"),
        sign(
            "two of nine boots came up at generation 1",
            "riser-1 came up short on 2 of 9 boots: last 2.5 GT/s (generation 1) x4, else 16 GT/s (generation 4) x4",
        ),
    ),
    sources=(
        "PCI Express Base Specification: Link Status, current link speed and negotiated link width (from memory)",
        "L. Brown, T. Cai, A. DasGupta, Statistical Science 16 (2001): bounds of a share",
    ),
)
