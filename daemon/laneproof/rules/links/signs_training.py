"""link-retrained-down and link-degraded-on-some-boots: a link that does not keep, or not always reach, what it can."""

from collections.abc import Iterator
from functools import lru_cache

from laneproof.box.links import describe_rate, rate_of
from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.declaration.tables import DeclaredPosition
from laneproof.evidence.counts import Bounds
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.training import clean_boots_needed, settled, short_boots
from laneproof.findings import Finding, Kind, Severity, format_time
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.past.training import BootTraining, Fall, TrainingRecord
from laneproof.rules.cautions import DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE
from laneproof.rules.example_past import quiet_snapshot, training_past
from laneproof.rules.rule import Example, Rule
from laneproof.rules.sign_subjects import DAY, Watched, make_sign, say_times
from laneproof_collectors.snapshot import Snapshot

FALL_NAME, SHORT_NAME = "link-retrained-down", "link-degraded-on-some-boots"

HOLD_SECONDS = 7 * DAY
"""How long the sign of a fall stays after the link came back. Judgement."""
_PASSING_SECONDS = 60.0
"""What is back this soon, and was not seen low for long enough, was caught while it trained. Judgement."""
_LOOK_BACK_SECONDS = 180 * DAY
_CLEAN_BOOTS = 20
"""So many good boots in a row clear the sign of a short one; to show that fewer than 5 % are short takes 59."""
_FEWEST_BOOTS = 2
_TWICE = 2


def _watch(
    build: Build | None, snapshot: Snapshot, ledger: Ledger
) -> Iterator[tuple[Watched, TrainingRecord, DeclaredPosition | None]]:
    labels = arrange(build, snapshot).label_by_path
    for path, record in ledger.training.records.items():
        drive = ledger.drives.records.get(record.serial)
        link = ledger.links.at(path)
        device = drive.name if drive is not None else link.device if link is not None else ""
        position = build.position_at(path) if build else None
        yield (
            Watched(path=path, label=labels.get(path), serial=record.serial, device=device, drive=drive),
            record,
            position,
        )


def _write(gt_s: float, lanes: int) -> str:
    return f"{describe_rate(gt_s)} x{lanes}"


# --- while running ----------------------------------------------------------------------------------------------------


def _judge_falls(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    ledger = past.ledger
    for place, record, position in () if ledger is None else _watch(build, snapshot, ledger):
        if ledger is None or not record.falls:
            continue
        recent = [one for one in record.falls if _counts(one, ledger) and not _is_planned(one, position)]
        if len(recent) >= _TWICE or any(not was_passing(one) for one in recent):
            yield _tell_fall(ledger, place, recent)


def _counts(fall: Fall, ledger: Ledger) -> bool:
    is_down = fall.back_at is None and fall.boot == ledger.timeline.boots
    return is_down or ledger.now - (fall.back_at or fall.at) <= HOLD_SECONDS


def was_passing(fall: Fall) -> bool:
    """Whether a link was only caught while it trained: back at once, before its state could be spoken of (T1)."""
    is_back = fall.back_at is not None and fall.back_at - fall.at < _PASSING_SECONDS
    return is_back and isinstance(settled(fall.readings), NotEnough)


def _is_planned(fall: Fall, position: DeclaredPosition | None) -> bool:
    plan = position.link if position else None
    if plan is None or plan.generation is None or plan.lanes is None:
        return False
    return fall.to_gt_s >= rate_of(plan.generation) and fall.to_lanes >= plan.lanes


def _tell_fall(ledger: Ledger, place: Watched, falls: list[Fall]) -> Finding:
    last = falls[-1]
    is_down = last.back_at is None and last.boot == ledger.timeline.boots
    before, after = _write(last.from_gt_s, last.from_lanes), _write(last.to_gt_s, last.to_lanes)
    when = format_time(ledger.timeline.to_wall(last.at))
    now = "and is still there" if is_down else "and has come back since"
    return make_sign(
        FALL_NAME,
        place,
        severity=Severity.WARNING,
        summary=f"{place.name} fell from {before} to {after} while running, at {when}, {now}",
        observed="its link fell while running",
        evidence={
            "falls": len(falls),
            "from": before,
            "to": after,
            "last_at": when,
            "still_down": is_down,
        },
        next_steps=LINK_RETRAINED_DOWN.look_next,
    )


# --- from boot to boot ------------------------------------------------------------------------------------------------


def _judge_boots(build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    ledger = past.ledger
    for place, record, position in () if ledger is None else _watch(build, snapshot, ledger):
        if ledger is None or len(record.boots) < _FEWEST_BOOTS:
            continue
        boots = [one for one in record.boots if ledger.now - one.at <= _LOOK_BACK_SECONDS]
        short = [one for one in boots if is_short(one, record, position)]
        if not short or not any(one not in short and one.boot > short[0].boot for one in boots):
            continue  # never; or always since some boot, of which the link's own rules speak
        clean = [one for one in boots if one.boot > short[-1].boot]
        if len(clean) < _CLEAN_BOOTS:
            yield _tell_boots(place, short, boots, position)


def is_short(boot: BootTraining, record: TrainingRecord, position: DeclaredPosition | None) -> bool:
    """Whether a link came up below what it should in one boot; a limit that was set is no shortness.

    Args:
        boot: The boot.
        record: The link's other boots.
        position: Its declaration, None where there is none.
    """
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
    best_gt_s = max((one.gt_s for one in record.boots), default=0.0)
    best_lanes = max((one.lanes for one in record.boots), default=0)
    gt_s = min(boot.capable_gt_s or best_gt_s, best_gt_s)
    lanes = min(boot.capable_lanes or best_lanes, best_lanes)
    if plan is not None and plan.generation is not None:
        gt_s = min(gt_s, rate_of(plan.generation))
    if plan is not None and plan.lanes is not None:
        lanes = min(lanes, plan.lanes)
    return gt_s or None, lanes or None


def _tell_boots(
    place: Watched, short: list[BootTraining], boots: list[BootTraining], position: DeclaredPosition | None
) -> Finding:
    last = short[-1]
    reached = "nothing there at all" if last.missing else _write(last.gt_s, last.lanes)
    usual = max((one for one in boots if one not in short), key=lambda one: (one.gt_s, one.lanes))
    return make_sign(
        SHORT_NAME,
        place,
        severity=Severity.WARNING if len(short) >= _TWICE else Severity.NOTICE,
        summary=(
            f"{place.name} came up short on {len(short)} of {say_times(len(boots), 'boot')}: "
            f"last {reached}, else {_write(usual.gt_s, usual.lanes)}"
        ),
        observed="comes up short on some boots",
        evidence={
            "short_boots": len(short),
            "boots": len(boots),
            "share_bounds": _bound_share(len(short), len(boots)),
            "clean_boots_to_show_below_5_percent": clean_boots_needed(0.05),
            "declared": position.link is not None if position else False,
        },
        next_steps=LINK_DEGRADED_ON_SOME_BOOTS.look_next,
    )


@lru_cache(maxsize=256)
def _bound_share(short: int, boots: int) -> tuple[float, float] | None:
    share = short_boots(short, boots)
    return (round(share.lower, 4), round(share.upper, 4)) if isinstance(share, Bounds) else None


_BUILD = """
schema = 1
box.name = "kelp-1"
position = [{ label = "riser-1", path = "0000:00/01.1", link = { generation = 4, lanes = 4 } }]
"""

LINK_RETRAINED_DOWN = Rule(
    name=FALL_NAME,
    kind=Kind.SIGN,
    statement="No link falls to a lower rate or width while the machine runs.",
    why=(
        "A link that can no longer keep its rate trains again at a lower one, by itself and without a word in the "
        "log. A link that rests (its device sleeps, or saves power by itself) is no case of it, nor is a limit that "
        "somebody set; nor one that is back within a minute, before three looks a second apart agreed, unless it is "
        "caught so twice. The sign clears a week after the link came back, by itself or with the next boot."
    ),
    look_next=(
        "See whether the same link makes correctable errors (signal-errors).",
        "With the power off, reseat drive, adapter and cable; try a shorter or shielded cable.",
        OPEN_CASE,
        LIVE_DRIVE,
        DEGRADED_ARRAY,
    ),
    judge=_judge_falls,
    examples=(
        Example(
            says="as it came up",
            build=_BUILD,
            snapshot=quiet_snapshot,
            make_past=lambda: training_past((4, 4, 4)),
            expect=(),
        ),
        Example(
            says="it came up at generation 4 and is now at 1",
            build=_BUILD,
            snapshot=quiet_snapshot,
            make_past=lambda: training_past((4, 4, 1), restarts=False),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=("PCI Express Base Specification: Link Status, recovery and speed changes (from memory)",),
)
LINK_DEGRADED_ON_SOME_BOOTS = Rule(
    name=SHORT_NAME,
    kind=Kind.SIGN,
    statement="Each link comes up whole on every boot.",
    why=(
        "A link that trains short, or not at all, on one boot in ten is marginal on the other nine. It shows only over "
        "several boots, with the same drive and the same parts between. A limit set by the firmware is none of it. The "
        "sign clears after twenty good boots, or half a year after the last short one."
    ),
    look_next=(
        "With the power off, reseat drive, adapter and cable, and note how the next boots come up.",
        "A link that needs a second try needs more margin: a shorter cable, or one generation less.",
        OPEN_CASE,
        DEGRADED_ARRAY,
    ),
    judge=_judge_boots,
    examples=(
        Example(
            says="nine good boots",
            build=_BUILD,
            snapshot=quiet_snapshot,
            make_past=lambda: training_past((4,) * 9),
            expect=(),
        ),
        Example(
            says="two of nine boots came up at generation 1",
            build=_BUILD,
            snapshot=quiet_snapshot,
            make_past=lambda: training_past((4, 4, 1, 4, 4, 4, 1, 4, 4)),
            expect=(Kind.SIGN,),
        ),
    ),
    sources=(
        "PCI Express Base Specification: Link Status, current link speed and negotiated link width (from memory)",
        "L. Brown, T. Cai, A. DasGupta, Statistical Science 16 (2001): bounds of a share",
    ),
)
