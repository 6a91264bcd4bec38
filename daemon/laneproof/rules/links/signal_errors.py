"""signal-errors: a link makes more correctable errors than the specification, its siblings or its own past allow."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import fmean
from typing import Any

from laneproof.advice import LOWER_RATE, RESEAT, SHORTER_PART, advise
from laneproof.box.link_rates import LOWEST_GT_S, describe_rate
from laneproof.evidence.change_point import change_point
from laneproof.evidence.fix_trial import acceptance_seconds
from laneproof.evidence.heat import DoseTest, rate_rises_with_heat
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Kind, Severity, format_time
from laneproof.past.drives import HourHeat
from laneproof.past.error_reporting import Reporting
from laneproof.past.fix_trials import ERRORS, Trial
from laneproof.past.ledger import Ledger
from laneproof.past.link_errors import LinkRecord
from laneproof.past.tally import Tally
from laneproof.rules.links.error_tests import ErrorVerdict, is_bursty, judge_link, recent
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import (
    DAY,
    HOUR,
    Watched,
    make_sign,
    more_severe,
    say_seconds,
    standing_sign,
    watched_links,
)
from laneproof.rules.sign_trials import describe_trial, trial_evidence

HOLD_SECONDS = 3 * DAY
"""How long the sign stays after the last evidence for it."""

_FEWEST_HOURS = 24
_FEWEST_CELSIUS = 5.0
_QUARTERS = 4
_RISES_P = 1e-3
"""For errors that come with warmth: how many hours are needed, how far apart the warmest and the coolest quarter must
lie, and how sure it must be. Our choice."""

_WARM_STEP = (
    "Errors come more often in its warm hours, or with the load that warms it: see to the air over the drive and the "
    "parts between, and watch whether they become fewer."
)

_BEYOND = "more errors than the specification allows"
_MORE = "more errors than is usual for this link"


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    watched = list(watched_links(current))
    counting = [record for _, record in watched if record.watched]
    for subject, record in watched:
        before = standing_sign(current.past, subject.identify(SIGNAL_ERRORS.name))
        is_untouched = record.version == 0 and not record.port.found and not record.device_end.found
        if before is None and is_untouched:
            continue
        # an alarm that stands is judged less often: only its figures can change
        is_alarm = before is not None and before.severity is not Severity.NOTICE
        verdict = judge_when_due(ledger, record, counting, every_seconds=6 * HOUR if is_alarm else HOUR)
        if (finding := _report(ledger, subject, record, verdict, before)) is not None:
            yield finding


def judge_when_due(
    ledger: Ledger, record: LinkRecord, counting: list[LinkRecord], *, every_seconds: float
) -> ErrorVerdict:
    """Judge one link, again only in each new stretch of time, or where it counted an error and no alarm stands."""
    version = record.version if every_seconds <= HOUR else 0, int(ledger.now // every_seconds), record.steady_since
    others = [sibling for sibling in counting if sibling is not record]
    return ledger.remember(
        (SIGNAL_ERRORS.name, record.path, record.serial),
        version,
        lambda: judge_link(record, others, now=ledger.now, links=max(1, len(counting))),
    )


def _report(
    ledger: Ledger, watched: Watched, record: LinkRecord, verdict: ErrorVerdict, before: Finding | None
) -> Finding | None:
    trial = ledger.trials.latest(record.path, None, ERRORS)
    if verdict.level is None:
        last = float(before.evidence.get("last_evidence_at", 0.0)) if before is not None else 0.0
        if before is None or ledger.now - last > HOLD_SECONDS or (trial is not None and trial.outcome == "cured"):
            return None
        return _with_trial(ledger, before, trial)
    beyond = verdict.beyond_specification or (before is not None and before.observed == _BEYOND)
    is_capped = not beyond and _wakes_late(ledger, record)
    severity = Severity.WARNING if verdict.level == "alarm" and not is_capped else Severity.NOTICE
    severity = more_severe(severity, before.severity if before is not None else None)
    warmth = _find_warmth(ledger, watched, record)
    link = f"{describe_rate(record.gt_s)} x{record.lanes}" if record.gt_s else "an unknown rate"
    seen = f"{watched.name}, at {link}: {verdict.because}"
    finding = make_sign(
        SIGNAL_ERRORS,
        watched,
        severity=severity,
        summary=seen,
        observed=_BEYOND if beyond else _MORE,
        evidence={
            **verdict.evidence,
            **_describe_onset(ledger, record),
            **warmth,
            "last_evidence_at": ledger.now,
            "seen": seen,
        },
        next_steps=_find_steps(record, is_warm=bool(warmth)),
    )
    return _with_trial(ledger, finding, trial)


def _with_trial(ledger: Ledger, finding: Finding, trial: Trial | None) -> Finding:
    """Add how a fix on trial stands, also while nothing new is seen."""
    seen = finding.evidence.get("seen")
    if trial is None or not isinstance(seen, str):
        return finding
    evidence = {**finding.evidence, **trial_evidence(ledger, trial)}
    return replace(finding, summary=f"{seen}; {describe_trial(ledger, trial)}", evidence=evidence)


def _find_steps(record: LinkRecord, *, is_warm: bool) -> tuple[str, ...]:
    """Give the rule's steps for this link: without a lower rate where there is none, with how long to run clean."""
    ends, lower, *parts = SIGNAL_ERRORS.next_steps
    accept = say_acceptance(record)
    settings = (lower,) if record.gt_s is None or record.gt_s > LOWEST_GT_S else ()
    return advise(ends, *((_WARM_STEP,) if is_warm else ()), *settings, *parts, *((accept,) if accept else ()))


def _wakes_late(ledger: Ledger, record: LinkRecord) -> bool:
    """Whether the week's errors are repeats of a link that may rest, and no end that can count damage kept silent.

    An end without error reporting never counts any: its link's repeats are the sign that it would give at rest too.
    """
    week = recent(record, 7 * DAY, ledger.now)
    if not ledger.idle_states(record.path).on or record.reported or not week.is_repeats_alone:
        return False
    receivers = (record.device_end, week.port_replays), (record.port, week.device_replays)
    return all(end.reporting in (Reporting.COUNTED, Reporting.NO_CAPABILITY) for end, replays in receivers if replays)


def _find_warmth(ledger: Ledger, watched: Watched, record: LinkRecord) -> dict[str, Any]:
    heat = watched.drive.heat if watched.drive is not None else []
    return ledger.remember(
        ("warmth", record.path, record.serial), int(ledger.now // (6 * HOUR)), lambda: describe_heat(record, heat)
    )


def _describe_onset(ledger: Ledger, record: LinkRecord) -> dict[str, Any]:
    """Say when the rate changed, and what else changed within a week of it."""
    return ledger.remember(
        ("onset", record.path, record.serial), int(ledger.now // (6 * HOUR)), lambda: _find_onset(ledger, record)
    )


def _find_onset(ledger: Ledger, record: LinkRecord) -> dict[str, Any]:
    days: dict[int, tuple[int, float]] = {}
    for row in record.series.rows:
        if row.span <= DAY:
            count, seconds = days.get(int(row.begins // DAY), (0, 0.0))
            days[int(row.begins // DAY)] = count + row.marked, seconds + row.seconds
    if len(days) < 3:  # noqa: PLR2004 (no change can be placed in fewer)
        return {}
    numbers = sorted(days)
    point = change_point([days[number][0] for number in numbers], [max(days[number][1], 1.0) for number in numbers])
    if isinstance(point, NotEnough) or point.rate_after <= point.rate_before or point.p > 0.01:  # noqa: PLR2004 (1 in 100)
        return {}
    began = numbers[point.split] * DAY
    near = ledger.changes.near(began, path=record.path, serial=record.serial, before=7 * DAY, after=DAY)
    return {
        "began_at": format_time(ledger.timeline.to_wall(began)),
        "changed_near": [f"{format_time(ledger.timeline.to_wall(change.at))}: {change.describe()}" for change in near],
    }


def describe_heat(record: LinkRecord, heat: Sequence[HourHeat]) -> dict[str, Any]:
    """Say whether a link's errors come with the warmth of the drive at its end; nothing where that is not shown."""
    means = {row.hour: row.mean_celsius for row in heat}
    hours = sorted(
        (
            (means[int(row.begins // HOUR)], row)
            for row in record.series.rows
            if row.span <= HOUR and row.seconds > 0 and row.begins >= record.steady_since
            if int(row.begins // HOUR) in means
        ),
        key=lambda row: row[0],
    )
    if len(hours) < _FEWEST_HOURS:
        return {}
    bounds = [len(hours) * number // _QUARTERS for number in range(_QUARTERS + 1)]
    quarters = [hours[begin:end] for begin, end in pairwise(bounds)]
    celsius = [fmean(mean for mean, _ in quarter) for quarter in quarters]
    if celsius[-1] - celsius[0] < _FEWEST_CELSIUS:
        return {}
    # minutes with errors where they come in bursts, so that one burst in a warm hour is one event
    bursty = is_bursty(record, min(row.begins for _, row in hours))
    counted = [[_count(row, bursty=bursty) for _, row in quarter] for quarter in quarters]
    events = [sum(number for number, _ in quarter) for quarter in counted]
    test = rate_rises_with_heat(events, [sum(exposure for _, exposure in quarter) for quarter in counted])
    if not isinstance(test, DoseTest) or test.p > _RISES_P:
        return {}
    return {
        "rises_with_heat": {
            "celsius": [round(mean, 1) for mean in celsius],
            "error_minutes" if bursty else "errors": events,
            "p": test.p,
        }
    }


def _count(row: Tally, *, bursty: bool) -> tuple[int, float]:
    return (row.marked, row.units) if bursty else (row.errors, row.bits)


def say_acceptance(record: LinkRecord) -> str | None:
    """Say how long other parts must run without an error; None where the link's rate is not known."""
    if not record.gt_s or not record.lanes:
        return None
    seconds = acceptance_seconds(gt_s=record.gt_s, lanes=record.lanes)
    if isinstance(seconds, NotEnough):
        return None
    return (
        f"After a change of parts {say_seconds(seconds)} of steady traffic without one error show that the link is "
        "within the specification, and no more: let a day under load follow, and the comparison with its past."
    )


SIGNAL_ERRORS = Rule(
    name="signal-errors",
    kind=Kind.SIGN,
    statement="No link makes more correctable errors than its siblings, its own past or the specification.",
    why=(
        "A correctable error is repaired by sending the packet again, so nobody notices it; a link that makes more "
        "and more of them is on its way to retraining, time-outs and disconnects, and the reason is far more often a "
        "cable, an adapter or a socket than the drive. A few errors a week are nothing, nor is a burst at a hot plug "
        "or at boot: errors must come in several different hours, and be more than chance explains at the rate per "
        "bit of its siblings or of its own past (a burst counts as one); an alarm takes at least three times that "
        "rate. A few a week more than ever before, followed hour by hour and tuned to one false alarm in ten years, "
        "are a notice. An error that could not be corrected is a notice by itself and an alarm when it recurs, also "
        "where only the log has it; one that belongs to a disconnect is reported with that. Thirty times what the "
        "specification allows, for many minutes, is an alarm at once; packets that were only repeated are a notice at "
        "most, on a link that may rest and whose receiving end counts or has no counter. The finding says so where "
        "errors come with warmth. The sign clears three days after the last evidence; after a change meant to cure, "
        "once its trial is over."
    ),
    next_steps=advise(
        "See at which end errors are counted: errors at the drive and replays at the port point to the way down to it.",
        LOWER_RATE,
        RESEAT,
        SHORTER_PART,
    ),
    judge=_judge,
    examples=(
        holds("no error in two weeks"),
        holds("two errors a week, as its siblings make too"),
        holds("one burst of forty at a hot plug"),
        sign(
            "none for two weeks, and now two an hour",
            "riser-1, at 16 GT/s (generation 4) x4: 48 errors in the last day, 36 before that: 20 times the "
            "rate (13 to 31)",
        ),
    ),
    sources=(
        "PCI Express Base Specification: bit error ratio of at most 1e-12 (from memory)",
        "Linux Documentation/ABI/testing/sysfs-bus-pci-devices-aer: counters belong to the end that saw the error",
        "USENIX FAST 2007 and ATC 2019: link errors point at cables and connectors",
        "Thresholds: our choice, tuned on simulated boxes; see docs/evidence.md",
    ),
)
