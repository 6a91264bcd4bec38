"""What a run proves: for each link, each drive and the box that it *holds*, *differs*, or is *unverified*.

A link holds only where so many bits were carried, with so few errors, that it makes less than the specification allows
at 95 %, and where an end counts. A drive holds only where it was loaded, nothing failed, and its pace was compared.
"""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from laneproof.advice import MOST_STEPS, RESEAT_CABLE, Step, advise
from laneproof.box.link_rates import describe_rate, generation_at
from laneproof.declaration.units import format_rate
from laneproof.diagnosis.causes import diagnose
from laneproof.diagnosis.weights import DEFAULT, Weights
from laneproof.evidence.bit_error_ratio import SPECIFIED_ERROR_RATIO, CeilingTest, against_specification
from laneproof.evidence.distributions import CONFIDENCE, poisson_bounds, poisson_upper
from laneproof.proof.contrasts import (
    FAILURES,
    compare_siblings,
    find_features,
    find_sleep,
    is_above_siblings,
    is_below,
    is_slow_alone,
)
from laneproof.proof.figure_text import say_count, say_power, say_seconds
from laneproof.proof.run_record import ALL_LOADED, DriveRun, DriveTally, KeptModel, LinkRun, ProofRun, StageName

Verdict = Literal["holds", "differs", "unverified"]

PROVE_AGAIN = Step(
    "After each change prove this position again ('laneproof prove --only POSITION -o FILE'), and see what it did with "
    "'laneproof prove --compare BEFORE AFTER'."
)
TRIED_HERE = ("aer_above_siblings", "drops_after_idle_exit", "drops_under_load")
"""Features whose check is a run like this one."""
SHARED_SHARE = 0.5
"""A drive that gets less than half of what the links' sharing promises is held back by something. Our choice."""
SLOW_WAKE_US = 1e6
"""A read that takes a second on waking is no wake of any state that a drive states. Our choice."""


class ProvenLink(KeptModel):
    """What a run proves of one link.

    Attributes:
        name: The position's label, the shared link's name, else its path.
        path: That of the position below it.
        errors: Errors at the end that saw more of them.
        lower: At least so many errors a bit, at 95 % (two-sided).
        upper: At most so many (two-sided; with no error one-sided).
        sibling_errors: Errors of the other links that count.
        siblings: How many these are.
        because: In sentences, the first the most telling.
    """

    name: str
    path: str
    verdict: Verdict
    bits: float
    errors: int
    lower: float | None = None
    upper: float | None = None
    sibling_errors: int = 0
    siblings: int = 0
    because: tuple[str, ...] = ()


class ProvenDrive(KeptModel):
    """What a run proves of one drive.

    Attributes:
        slept: Whether it slept when it was left alone; None where that cannot be known.
        slept_because: By what that shows, or why it cannot be known.
    """

    name: str
    path: str
    verdict: Verdict
    because: tuple[str, ...] = ()
    slept: bool | None = None
    slept_because: str = ""


class ProvenCause(KeptModel):
    """One possible cause, as in the audit."""

    cause: str
    probability: float
    because: tuple[str, ...] = ()


class ProvenPosition(KeptModel):
    """What a run proves of one position: its link and its drive, and why where one of them differs."""

    name: str
    verdict: Verdict
    link: ProvenLink | None
    drive: ProvenDrive
    causes: tuple[ProvenCause, ...] = ()
    next_steps: tuple[str, ...] = ()
    features: dict[str, bool] = Field(default_factory=dict)


class Proof(KeptModel):
    """What a run proves.

    Attributes:
        verdict: Of the box: the worst of all that was to be shown.
        positions: By position, in the declaration's order.
        shared_links: Links that several positions share.
        box: What is said of the box as a whole.
    """

    verdict: Verdict
    positions: tuple[ProvenPosition, ...]
    shared_links: tuple[ProvenLink, ...] = ()
    box: tuple[str, ...] = ()


def judge(run: ProofRun, weights: Weights = DEFAULT) -> Proof:
    """Judge a run."""
    positions = tuple(_judge_position(run, drive, weights) for drive in run.drives)
    own = {drive.path for drive in run.drives}
    shared = tuple(judge_link(run, link) for link in run.links if link.path not in own)
    box = tuple(_judge_box(run))
    verdicts: list[Verdict] = [*(proven.verdict for proven in positions), *(proven.verdict for proven in shared)]
    if not run.drives or box:
        verdicts.append("unverified")
    return Proof(verdict=_worst(verdicts), positions=positions, shared_links=shared, box=box)


def _worst(verdicts: list[Verdict]) -> Verdict:
    return "differs" if "differs" in verdicts else "unverified" if "unverified" in verdicts else "holds"


def _judge_box(run: ProofRun) -> Iterator[str]:
    if run.stopped:
        yield f"the run ended before its time: {run.stopped}"
    for drive in run.drives:
        if drive.interface == "nvme" and run.link_of(drive) is None:
            yield f"the link of {drive.name} was not found, so nothing is shown of it"
    yield from run.gaps


def _judge_position(run: ProofRun, drive: DriveRun, weights: Weights) -> ProvenPosition:
    own = run.link_of(drive)
    link, proven = None if own is None else judge_link(run, own), judge_drive(run, drive)
    verdict = _worst([proven.verdict, *([link.verdict] if link else [])])
    features = {name: seen for name, seen in find_features(run, drive).items() if seen is not None}
    if verdict != "differs":
        return ProvenPosition(name=drive.name, verdict=verdict, link=link, drive=proven, features=features)
    found = diagnose(features, weights, cannot_try=TRIED_HERE)
    causes = tuple(
        ProvenCause(cause=cause.cause, probability=round(cause.probability, 4), because=cause.because)
        for cause in found.causes
    )
    steps = (*((RESEAT_CABLE,) if drive.transfer_errors else ()), *found.next_steps)
    return ProvenPosition(
        name=drive.name,
        verdict=verdict,
        link=link,
        drive=proven,
        causes=causes,
        next_steps=advise(*steps[: MOST_STEPS - 1], PROVE_AGAIN),
        features=features,
    )


# --- a link -----------------------------------------------------------------------------------------------------------


def judge_link(run: ProofRun, link: LinkRun) -> ProvenLink:
    """Judge one link: how it trained, and its errors against the specification and its siblings."""
    differs = [*_find_link_faults(run, link)]
    gaps = [] if differs else [*_find_link_gaps(run, link)]
    others = [other for other in run.links if other is not link and other.counting_ends and not other.is_shared]
    bounds = poisson_bounds(link.errors).scaled(1.0 / link.bits) if link.bits and link.counting_ends else None
    upper = None if bounds is None else bounds.upper if link.errors else _most_errors(link)
    return ProvenLink(
        name=link.name,
        path=link.path,
        verdict="differs" if differs else "unverified" if gaps else "holds",
        bits=link.bits,
        errors=link.errors,
        lower=bounds.lower if bounds else None,
        upper=upper,
        sibling_errors=sum(other.errors for other in others),
        siblings=len(others),
        because=tuple(differs or gaps or [_say_clean(link)]),
    )


def _most_errors(link: LinkRun) -> float:
    """Give the exact one-sided upper bound of errors a bit at 95 %. Source: F. Garwood, Biometrika 28 (1936) 437."""
    return poisson_upper(link.errors, 1.0 - CONFIDENCE) / link.bits


def _find_link_faults(run: ProofRun, link: LinkRun) -> Iterator[str]:
    test = against_specification(link.errors, link.bits) if link.counting_ends else None
    if isinstance(test, CeilingTest) and test.is_out_of_specification:
        yield f"{say_errors(link)}: more than the {say_power(SPECIFIED_ERROR_RATIO)} a bit that are allowed"
    elif is_above_siblings(run, link):
        compared = compare_siblings(run, link)
        there, carried = (compared.other_events, compared.other_exposure) if compared else (0, 0.0)
        yield f"{say_errors(link)}, and {say_count(there, 'error')} in {say_power(carried)} bits of its siblings"
    if is_below(link):
        yield f"it trained at {say_link(link.trained_gt_s, link.trained_lanes)}, {_say_wanted(link)}"
    if link.retrained:
        yield f"its rate or width changed {say_count(link.retrained, 'time')} under load"
    if link.serious:
        yield say_count(link.serious, "uncorrectable error")


def _find_link_gaps(run: ProofRun, link: LinkRun) -> Iterator[str]:
    if run.is_virtual:
        yield "this is a virtual machine, whose links are made up"
    if is_below(link) is None:
        yield "its rate or width could not be read"
    if not link.counting_ends:
        yield "neither end counts its errors"
    elif not link.bits:
        yield "it carried no data"
    elif (most := _most_errors(link)) > SPECIFIED_ERROR_RATIO:
        needed = say_power(SPECIFIED_ERROR_RATIO)
        yield f"{say_errors(link)}: too few to show {needed} a bit, only {say_power(most)}"


def say_errors(link: LinkRun) -> str:
    """Say what was carried with how many errors, and between which bounds their ratio lies."""
    carried = f"it carried {say_power(link.bits)} bits with {say_count(link.errors, 'error')}"
    if not link.errors or not link.bits:
        return carried
    bounds = poisson_bounds(link.errors).scaled(1.0 / link.bits)
    return f"{carried}: at least {say_power(bounds.lower)} and at most {say_power(bounds.upper)} a bit (95 %)"


def _say_clean(link: LinkRun) -> str:
    carried = f"it carried {say_power(link.bits)} bits with {say_count(link.errors, 'error')}"
    return f"{carried}: less than {say_power(_most_errors(link))} a bit (95 %)"


def say_link(gt_s: float | None, lanes: int | None) -> str:
    """Say rate and width: ``gen 4 x4``."""
    generation = generation_at(gt_s) if gt_s else None
    return f"{f'gen {generation}' if generation else describe_rate(gt_s) if gt_s else '?'} x{lanes or '?'}"


def _say_wanted(link: LinkRun) -> str:
    if link.declared_gt_s or link.declared_lanes:
        return (
            f"declared {say_link(link.declared_gt_s or link.trained_gt_s, link.declared_lanes or link.trained_lanes)}"
        )
    return f"and both ends can do {say_link(link.capable_gt_s, link.capable_lanes)}"


# --- a drive ----------------------------------------------------------------------------------------------------------


def judge_drive(run: ProofRun, drive: DriveRun) -> ProvenDrive:
    """Judge one drive: what failed, how fast it was, how warm it got, how it woke."""
    differs = [*_find_drive_faults(run, drive)]
    gaps = [] if differs else [*_find_drive_gaps(run, drive)]
    because = differs or gaps or [_say_pace(drive)]
    slept, slept_because = find_sleep(drive)
    return ProvenDrive(
        name=drive.name,
        path=drive.path,
        verdict="differs" if differs else "unverified" if gaps else "holds",
        because=tuple(because),
        slept=slept,
        slept_because=slept_because,
    )


def _find_drive_faults(run: ProofRun, drive: DriveRun) -> Iterator[str]:
    failures: dict[str, list[str]] = {}
    for happened in run.happenings:
        if happened.name == drive.name and happened.kind in FAILURES and happened.kind != "serious":
            failures.setdefault(happened.kind, []).append(happened.stage)
    for kind, stages in failures.items():
        times = "" if len(stages) == 1 else f" {len(stages)} times"
        yield f"{_FAILURE_WORDS[kind]}{times} ({', '.join(dict.fromkeys(stages))})"
    if drive.media_errors and "media-error" not in failures:
        yield f"it counted {say_count(drive.media_errors, 'new media error')}"
    if drive.transfer_errors:
        yield f"{say_count(drive.transfer_errors, 'transfer')} over its cable failed"
    if is_slow_alone(run, drive):
        yield f"it gives {format_rate(drive.rate(StageName.ALONE))} alone, less than half of what it should"
    yield from _find_heat(drive)
    yield from _find_sharing(run, drive)
    if drive.wake and drive.wake.longest_us and drive.wake.longest_us >= SLOW_WAKE_US:
        yield f"a read after rest took {say_seconds(drive.wake.longest_us / 1e6)}"


_FAILURE_WORDS = {
    "gone": "it went away",
    "reset": "its controller had to be reset",
    "time-out": "a command got no answer in time",
    "read-error": "a read failed",
    "media-error": "it reported a media error",
}


def _find_heat(drive: DriveRun) -> Iterator[str]:
    if drive.stopped:
        yield f"its load was stopped: {drive.stopped}"
    elif drive.held_back_seconds:
        yield (
            f"it reached its warning threshold ({drive.warning_celsius:g} °C), and its load was held back for "
            f"{say_seconds(drive.held_back_seconds)}"
        )
    elif drive.warning_minutes:
        yield f"it counted {say_count(drive.warning_minutes, 'minute')} above its own limits"
    if drive.throttled:
        yield f"it slowed itself down for heat {say_count(drive.throttled, 'time')}"


def _find_sharing(run: ProofRun, drive: DriveRun) -> Iterator[str]:
    """Compare what came with all loaded with what sharing predicts; the same for all is the processor's or memory's."""
    got, promised = drive.rate(StageName.TOGETHER), drive.predicted_bytes
    if got is None or not promised or got >= SHARED_SHARE * promised:
        return
    others = [
        other.predicted_bytes and (rate := other.rate(StageName.TOGETHER)) is not None and rate / other.predicted_bytes
        for other in run.drives
        if other is not drive
    ]
    if others and all(share and share >= SHARED_SHARE for share in others):
        yield f"with all loaded it gave {format_rate(got)}, where the links leave it {format_rate(promised)}"


def _find_drive_gaps(run: ProofRun, drive: DriveRun) -> Iterator[str]:
    if drive.hottest_celsius is None:
        yield "its health was not read: neither its temperature nor its media errors are known"
    slept, why = find_sleep(drive)
    if slept is False or (drive.interface == "nvme" and drive.idle_states_on is None):
        yield f"its waking is not shown: {why}"
    if drive.interface != "nvme" and drive.transfer_errors is None:
        yield "whether transfers over its cable fail is not known: it does not count them, or was not asked"
    for stage in (begun.name for begun in run.stages if begun.name in (StageName.SMALL, *ALL_LOADED)):
        if not drive.stages.get(stage, DriveTally()).reads:
            yield f"nothing was read of it in the stage '{stage}'"
    if not drive.rate(StageName.ALONE):
        yield "it was not loaded alone, so its pace is not known"
    elif is_slow_alone(run, drive) is None:
        yield (
            f"{_say_pace(drive)}: whether that is its own is not known, with no sibling of its model and no declared "
            "read rate"
        )


def _say_pace(drive: DriveRun) -> str:
    return f"it gives {format_rate(drive.rate(StageName.ALONE))} alone"
