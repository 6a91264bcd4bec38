"""Acceptance runs with a known truth: what a run says of boxes with one fault, of sound ones, and of the unjudgeable.

Run as ``python -m simulation.proofs --each 40`` with ``tests`` as the working folder; ``--page`` writes its part of
docs/evidence.md. A seed is a story: the same arguments give the same runs.
"""

import argparse
import dataclasses
import random
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from boxes.proven_box import targets
from laneproof.diagnosis.weights import CauseName
from laneproof.proof.judgement import Proof, judge
from laneproof.proof.plan import Mode, make_plan
from laneproof.proof.plan_execution import run_plan
from laneproof.proof.run_record import StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.simulated_machine import Fault, SimulatedMachine
from laneproof.proof.targets import Targets
from simulation.evidence_page import prose, share, show_or_put

TITLE = "## Acceptance runs"
PAGE = Path(__file__).parents[2] / "docs" / "evidence.md"
HEALTHY = "healthy"
BLIND, VIRTUAL, SHORT = "counters that do not count", "virtual machine", "too few bits"
UNJUDGEABLE = (BLIND, VIRTUAL, SHORT)
CAUSES = tuple(str(cause) for cause in CauseName if cause is not CauseName.UNDETERMINED)
KINDS = (*CAUSES, HEALTHY, *UNJUDGEABLE)
_RISERS = ("riser-1", "riser-2", "riser-3", "riser-4")
_STRAY_ERRORS = 2e-15
"""What sound links make: one error in some runs. Judgement: far below the 1e-12 that are allowed."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class ProofScore:
    """What one run came to.

    Attributes:
        kind: The true cause, or what else is the matter.
        verdict: Of the box.
        found: Whether a position with the fault differs.
        named: The causes named of such positions.
        wrongly: Sound positions that were said to differ.
        links_hold: Whether a link was said to hold.
        seconds: How long the run took, by its own clock.
    """

    kind: str
    verdict: str
    found: bool
    named: tuple[str, ...]
    wrongly: int
    links_hold: bool
    seconds: float


def make_faults(kind: str, chance: random.Random) -> tuple[dict[str, Fault], frozenset[str]]:
    """Draw a fault: how strong it is, where, and in which of its forms."""
    bad = chance.choice(_RISERS)
    stray = dict.fromkeys((*_RISERS, "deck-1", "deck-2", "wireless"), Fault(errors_per_bit=_STRAY_ERRORS))
    together: frozenset[str] = frozenset()
    faults: list[Fault] = []
    if kind == CauseName.SIGNAL_PATH:
        faults = [Fault(errors_per_bit=10 ** chance.uniform(-12.5, -10.5))]
    elif kind == CauseName.POWER_MANAGEMENT:
        faults = [
            Fault(errors_per_wake=chance.uniform(0.2, 2.0)),
            Fault(resets_per_second={StageName.WAKE: chance.uniform(0.03, 0.2)}),
        ]
    elif kind == CauseName.HEAT:
        warm = chance.uniform(64.0, 69.0)
        faults = [
            Fault(warm_celsius=warm, throttles_celsius=warm - chance.uniform(2.0, 6.0)),
            Fault(warm_celsius=warm, hot_celsius=warm - 6.0, hot_errors_per_bit=10 ** chance.uniform(-12.0, -11.0)),
        ]
    elif kind == CauseName.DRIVE_FAILING:
        faults = [
            Fault(pace=chance.uniform(0.1, 0.4)),
            Fault(pace=chance.uniform(0.2, 1.0), media_errors_per_second=10 ** chance.uniform(-2.5, -1.0)),
        ]
    elif kind == CauseName.DRIVE_FIRMWARE:
        faults = [Fault(resets_per_second={StageName.SMALL: chance.uniform(0.1, 0.5)})]
    elif kind == CauseName.SHARED_SUPPLY:
        together = frozenset(chance.sample(_RISERS, chance.choice((2, 3, 4))))
        if chance.random() < 0.5:
            return stray, together
        crowd = Fault(crowded_errors_per_bit=10 ** chance.uniform(-12.0, -11.0))
        return stray | dict.fromkeys(together, crowd), frozenset()
    return (stray | {bad: chance.choice(faults)} if faults else stray), together


def find_bad(faults: dict[str, Fault], together: frozenset[str]) -> frozenset[str]:
    """Name the drives with a fault."""
    return together | {name for name, fault in faults.items() if fault != Fault(errors_per_bit=_STRAY_ERRORS)}


def try_run(kind: str, seed: int) -> ProofScore:
    """Try one run."""
    chance = random.Random(f"{kind} {seed}")
    faults, together = make_faults(kind, chance)
    loaded = _blind(targets()) if kind == BLIND else targets()
    mode: Mode = "quick" if kind == SHORT else "default"
    stages = (StageName.SMALL,) if kind == SHORT else tuple(StageName)
    totals = RunTotals(loaded, make_plan(loaded, mode, stages=stages, is_virtual=kind == VIRTUAL))
    stopped = run_plan(
        SimulatedMachine(loaded, faults, seed=chance.randrange(1 << 30), together=together), totals, _pass
    )
    run = totals.finish(box="kelp-1", began_at=0.0, is_virtual=kind == VIRTUAL, stopped=stopped)
    return _score(kind, judge(run), find_bad(faults, together), run.seconds)


def _pass(*_: object) -> None:
    """Show nothing."""


def _blind(loaded: Targets) -> Targets:
    links = {path: link.model_copy(update={"counting_ends": ()}) for path, link in loaded.links.items()}
    return dataclasses.replace(loaded, links=links)


def _score(kind: str, proof: Proof, bad: frozenset[str], seconds: float) -> ProofScore:
    differing = [position for position in proof.positions if position.verdict == "differs"]
    links = [*(position.link for position in proof.positions), *proof.shared_links]
    return ProofScore(
        kind=kind,
        verdict=proof.verdict,
        found=any(position.name in bad for position in differing),
        named=tuple(position.causes[0].cause for position in differing if position.name in bad),
        wrongly=sum(position.name not in bad for position in differing),
        links_hold=any(link is not None and link.verdict == "holds" for link in links),
        seconds=seconds,
    )


# --- the page ---------------------------------------------------------------------------------------------------------


def write_proofs(scores: Sequence[ProofScore], *, command: str) -> str:
    """Write the part of the page."""
    faulty = [score for score in scores if score.kind in CAUSES]
    sound = [score for score in scores if score.kind == HEALTHY]
    minutes = sum(score.seconds for score in faulty) / max(len(faulty), 1) / 60
    lines = [
        TITLE,
        "",
        prose(
            f"Made by `{command}` (from `tests`): runs of `laneproof prove` on the demo's box, made up as far as",
            "drives and links go, with one fault each, drawn in strength, place and form. Sound links make a stray",
            f"error now and then. A run took {minutes:.0f} simulated minutes; watching needs a fault to show first,",
            "which idle states, heat and supplies do only when the box happens to do what brings it out. The faults",
            "are those that the contrasts were made for: the figures say that the judgement does what it is meant to,",
            "and no more.",
        ),
        "",
        "| true cause | runs | found | right, of those named | undetermined | sound positions said to differ |",
        "| --- | --- | --- | --- | --- | --- |",
        *(_row(cause, [score for score in faulty if score.kind == cause]) for cause in CAUSES),
        _row("all", faulty),
        "",
        "| box | runs | said to differ | said to hold | a link said to hold |",
        "| --- | --- | --- | --- | --- |",
        _sound_row(HEALTHY, sound),
        *(_sound_row(kind, [score for score in scores if score.kind == kind]) for kind in UNJUDGEABLE),
        "",
        *_wrong(faulty),
    ]
    return "\n".join(lines) + "\n"


def _row(name: str, scores: Sequence[ProofScore]) -> str:
    named = [cause for score in scores for cause in score.named if cause != CauseName.UNDETERMINED]
    right = sum(cause == score.kind for score in scores for cause in score.named)
    said = sum(len(score.named) for score in scores)
    return (
        f"| {name} | {len(scores)} | {share(sum(score.found for score in scores), len(scores))} "
        f"| {share(right, len(named))} | {share(said - len(named), said)} | {sum(score.wrongly for score in scores)} |"
    )


def _sound_row(name: str, scores: Sequence[ProofScore]) -> str:
    verdicts = Counter(score.verdict for score in scores)
    n = len(scores)
    holding = sum(score.links_hold for score in scores)
    return f"| {name} | {n} | {share(verdicts['differs'], n)} | {share(verdicts['holds'], n)} | {share(holding, n)} |"


def _wrong(scores: Sequence[ProofScore]) -> list[str]:
    wrong = Counter(
        (score.kind, cause)
        for score in scores
        for cause in score.named
        if cause not in (score.kind, CauseName.UNDETERMINED)
    )
    return [f"- `{kind}` {count}: named {cause}" for (kind, cause), count in sorted(wrong.items())]


class Asked:
    """What the command line asks for."""

    def __init__(self, program: str, arguments: Sequence[str], *, each: int, first: int, kinds: Sequence[str]) -> None:
        """Parse it; the numbers and kinds are those that hold where it says nothing."""
        parser = argparse.ArgumentParser(prog=program)
        parser.add_argument("--each", type=int, default=each, help="how many of each kind")
        parser.add_argument("--first", type=int, default=first, help="first seed; weights were tuned below 1000")
        parser.add_argument("--kinds", default=",".join(kinds), help="kinds, with commas")
        parser.add_argument("--page", type=Path, nargs="?", const=PAGE, help="write docs/evidence.md, or another page")
        options = parser.parse_args(arguments)
        seeds = range(options.first, options.first + options.each)
        self.stories = [(kind, seed) for kind in options.kinds.split(",") for seed in seeds]
        self.page: Path | None = options.page
        self.command = " ".join([program, *arguments])


def main(arguments: Sequence[str]) -> int:
    """Try the runs asked for, and print the part of the page or write it."""
    asked = Asked("python -m simulation.proofs", arguments, each=40, first=0, kinds=KINDS)
    show_or_put(write_proofs([try_run(*story) for story in asked.stories], command=asked.command), asked.page)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
