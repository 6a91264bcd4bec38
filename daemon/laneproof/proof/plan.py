"""The plan of a run: which stages, how long each must be for what it is to show, and what cannot be shown here."""

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Literal

from laneproof.box.link_rates import generation_at
from laneproof.declaration.quoting import list_words
from laneproof.evidence.bit_error_ratio import SPECIFIED_ERROR_RATIO, clean_error_ratio
from laneproof.evidence.distributions import poisson_upper
from laneproof.evidence.fix_trial import acceptance_seconds
from laneproof.proof.figure_text import say_power
from laneproof.proof.run_record import DriveRun, LinkRun, StageName
from laneproof.proof.targets import Rest, Target, Targets

Mode = Literal["quick", "default", "thorough"]

BITS_TO_SHOW = poisson_upper(0, 0.05) / SPECIFIED_ERROR_RATIO
"""So many bits without an error show less than the specification allows, at 95 %: three million million."""
EXPECTED_SHARE = 0.7
"""What a drive is taken to give of its link's ceiling. Common practice, no source: 5 to 7 of 7.2 GB/s at 16 GT/s x4."""
SLOWEST_BYTES = 100e6
"""What a drive is taken to give whose link is not known. Our choice."""
LONGEST_WAKE_SECONDS = 3600.0
PACE_SECONDS = 20.0
"""So long a drive reads alone at least: a disk's own cache, and its start, are over by then. Our choice."""

PURPOSES: dict[StageName, str] = {
    StageName.REST: "all quiet: errors that come without load",
    StageName.ALONE: "one drive after the other, in sequence: what this drive and this link give",
    StageName.SMALL: "one drive after the other, small reads here and there: resets and time-outs of many commands",
    StageName.TOGETHER: "all drives at once: what they share (links, supply, processor, memory), and errors only then",
    StageName.WAKE: "left alone until it rests, then one read, many times: waking, and errors on waking",
    StageName.HEAT: "all drives until none gets warmer by 1 °C in ten minutes, or a limit is met: heat and throttling",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lengths:
    """How a mode spends its time: seconds, shares of the whole, and how often the bits that are needed."""

    whole: float
    rest: float
    small: float
    wakes: int
    heat: float
    times: float
    most_together: float


_LENGTHS: dict[Mode, _Lengths] = {
    "quick": _Lengths(whole=300, rest=15, small=5, wakes=8, heat=0, times=1, most_together=90),
    "default": _Lengths(whole=1800, rest=60, small=10, wakes=30, heat=900, times=1, most_together=400),
    "thorough": _Lengths(whole=28_800, rest=600, small=60, wakes=300, heat=10_800, times=10, most_together=7200),
}
_ALONE_SHARE, _WAKE_SHARE = 0.35, 0.15
_ROUNDING = 1e-6  # 75.6 s are thirty times 2.52 s, and no 29


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStep:
    """One step: drives that are loaded together for a while.

    Attributes:
        drives: Names of the drives loaded; in the rest stage none.
    """

    stage: StageName
    seconds: float
    drives: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What will be done.

    Attributes:
        shows: By stage, in figures what it can show, where it has any.
        gaps: What is left out of it, in sentences; with one of them the box is not proven.
        not_shown: What no run can show here, in sentences.
        rate_bytes: Bytes a second at most for each drive; None for as many as there can be.
    """

    mode: Mode
    steps: tuple[RunStep, ...]
    shows: dict[StageName, str]
    gaps: tuple[str, ...]
    not_shown: tuple[str, ...]
    rate_bytes: int | None = None

    @property
    def seconds(self) -> float:
        """How long all of it takes at most."""
        return sum(step.seconds for step in self.steps)

    def seconds_of(self, stage: StageName) -> float:
        """How long a stage takes at most."""
        return sum(step.seconds for step in self.steps if step.stage is stage)


def make_plan(
    targets: Targets,
    mode: Mode = "default",
    *,
    stages: Collection[StageName] = tuple(StageName),
    rate_bytes: int | None = None,
    is_virtual: bool | None = False,
) -> Plan:
    """Plan a run.

    Args:
        targets: What is loaded and watched.
        mode: How much time there is.
        stages: Those wanted.
        rate_bytes: Bytes a second at most for each drive.
        is_virtual: Whether the machine is a virtual one; None where that is not known.
    """
    lengths = _LENGTHS[mode]
    wanted = [stage for stage in StageName if stage in stages and (stage is not StageName.HEAT or lengths.heat)]
    steps = [step for step in _list_steps(targets, lengths, rate_bytes) if step.stage in wanted]
    return Plan(
        mode=mode,
        steps=tuple(steps),
        shows=dict(_list_shows(steps, targets, rate_bytes)),
        gaps=tuple(_list_gaps(targets, [stage for stage in StageName if stage not in wanted], is_virtual=is_virtual)),
        not_shown=tuple(_list_not_shown(targets, is_virtual=is_virtual)),
        rate_bytes=rate_bytes,
    )


def _list_steps(targets: Targets, lengths: _Lengths, rate: int | None) -> Iterator[RunStep]:
    names = tuple(target.name for target in targets.drives)
    most = max(lengths.small, lengths.whole * _ALONE_SHARE / max(len(names), 1))
    alone = {target.name: expected_bytes(target.record, rate) for target in targets.drives}
    yield RunStep(stage=StageName.REST, seconds=lengths.rest)
    for target in targets.drives:
        needed = max(lengths.times * seconds_to_show(targets, target, alone[target.name]), PACE_SECONDS)
        yield RunStep(stage=StageName.ALONE, seconds=_between(lengths.small, needed, most), drives=(target.name,))
    for name in names:
        yield RunStep(stage=StageName.SMALL, seconds=lengths.small, drives=(name,))
    if len(names) > 1:
        shared = targets.predict(alone)
        needed = lengths.times * max(seconds_to_show(targets, target, shared[target.name]) for target in targets.drives)
        seconds = _between(4 * lengths.small, needed, lengths.most_together)
        yield RunStep(stage=StageName.TOGETHER, seconds=seconds, drives=names)
    idle = {target.name: target.rest.idle_seconds for target in targets.drives if isinstance(target.rest, Rest)}
    if idle:
        longest = max(idle.values())
        seconds = min(lengths.wakes * longest, max(lengths.whole * _WAKE_SHARE, 3 * longest), LONGEST_WAKE_SECONDS)
        yield RunStep(stage=StageName.WAKE, seconds=seconds, drives=tuple(idle))
    if lengths.heat:
        yield RunStep(stage=StageName.HEAT, seconds=lengths.heat, drives=names)


def _between(least: float, seconds: float, most: float) -> float:
    return float(math.ceil(max(least, min(seconds, most))))


def expected_bytes(drive: DriveRun, rate: int | None = None) -> float:
    """Give what a drive is taken to read alone, bytes a second."""
    ceiling, declared = drive.ceiling_bytes, drive.declared_read_bytes
    expected = declared or (SLOWEST_BYTES if ceiling is None else EXPECTED_SHARE * ceiling)
    return min(bytes_ for bytes_ in (expected, ceiling, rate) if bytes_)


def seconds_to_show(targets: Targets, target: Target, rate: float) -> float:
    """Give how long a drive's own link must carry data to show what the specification allows; 0 where it has none."""
    link = targets.links.get(target.path)
    return BITS_TO_SHOW / (rate * link.bits_per_byte) if link else 0.0


# --- what it can show, in words ---------------------------------------------------------------------------------------


def _list_shows(steps: list[RunStep], targets: Targets, rate: int | None) -> Iterator[tuple[StageName, str]]:
    alone = {step.drives[0]: step.seconds for step in steps if step.stage is StageName.ALONE}
    own = [link for target in targets.drives if (link := targets.links.get(target.path)) is not None]
    if alone and own:
        each_kind = {(link.trained_gt_s, link.trained_lanes): link for link in own}.values()
        yield StageName.ALONE, "; ".join(_say_bits(link, alone, targets, rate) for link in each_kind)
    for step in steps:
        if step.stage is StageName.WAKE:
            idle = [target.rest.idle_seconds for target in targets.drives if isinstance(target.rest, Rest)]
            fewest = int(step.seconds / max(idle) + _ROUNDING)
            yield step.stage, f"{fewest} wakes or more of each drive that goes to rest: {len(step.drives)} of them"


def _say_bits(link: LinkRun, seconds: dict[str, float], targets: Targets, rate: int | None) -> str:
    gt_s, lanes = link.trained_gt_s, link.trained_lanes
    generation = generation_at(gt_s) if gt_s else None
    full = acceptance_seconds(gt_s=gt_s, lanes=lanes) if generation and gt_s and lanes else None
    if not isinstance(full, float):
        return f"{link.name}: its rate or width could not be read, so nothing of its errors"
    drive = next(target.record for target in targets.drives if target.path == link.path)
    lasts = seconds.get(drive.name, 0.0)
    shown = clean_error_ratio(lasts * expected_bytes(drive, rate) * link.bits_per_byte)
    says = f"{full:.0f} s of a generation {generation} x{lanes} link at full rate are {say_power(BITS_TO_SHOW)} bits"
    if not isinstance(shown, float):
        return says
    return f"{says}; {lasts:.0f} s of this drive without an error show less than {shown:.0e} a bit"


def _list_gaps(targets: Targets, left_out: list[StageName], *, is_virtual: bool | None) -> Iterator[str]:
    yield from targets.left_out
    if is_virtual is None:
        yield "whether this is a virtual machine could not be read"
    if left_out:
        yield f"what these stages show, which are left out: {', '.join(left_out)}"


def _list_not_shown(targets: Targets, *, is_virtual: bool | None) -> Iterator[str]:
    if targets.only is not None:
        yield f"anything of the other positions: only {targets.only} is loaded"
    if is_virtual:
        yield "this is a virtual machine: its links are made up, and nothing is proven of them"
    blind = [link.name for link in targets.links.values() if not link.counting_ends]
    if blind:
        yield f"errors of {list_words(blind)}: neither end counts them ('laneproof explain errors-not-counted')"
    for why in dict.fromkeys(target.rest for target in targets.drives if isinstance(target.rest, str)):
        yield f"waking of {list_words([target.name for target in targets.drives if target.rest == why])}: {why}"
    unlimited = [target.name for target in targets.drives if target.record.warning_celsius is None]
    if unlimited:
        yield f"heat of {list_words(unlimited)}: no temperature limit is stated"
