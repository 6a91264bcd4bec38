"""Takes the figures: how well the program does on simulated boxes of which the truth is known.

Run as ``python -m simulation.evaluate`` with ``tests`` as the working folder; ``--page`` writes docs/evidence.md.
``--family tuning`` shows the boxes on which thresholds and weights were tuned; the figures of record are of the family
``report``. ``--strange 5`` tries strange boxes, whose figures are the last part of the page. The same arguments give
the same boxes.
"""

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import TypeVar

from simulation.evidence_page import show_or_put, write_page
from simulation.families import FAMILIES
from simulation.plots import KINDS
from simulation.replaying import try_world
from simulation.scoring import WorldScore
from simulation.strange.page import write_strange
from simulation.strange.worlds import ALL, StrangeScore, try_strange
from simulation.strange.worlds import show as show_strange
from simulation.worlds import HEALTHY, make_world

PAGE = Path(__file__).parents[2] / "docs" / "evidence.md"
MOST_PROCESSES = 2
Job = TypeVar("Job")
Score = TypeVar("Score")


def _try_one(job: tuple[str, int, str]) -> WorldScore:
    kind, seed, family = job
    return try_world(make_world(kind, seed, FAMILIES[family]))


def _try_strange(job: tuple[str, int]) -> StrangeScore:
    return try_strange(*job)[0]


def spread(attempt: Callable[[Job], Score], jobs: Sequence[Job], *, processes: int) -> Iterable[Score]:
    """Try worlds, in order, so many processes at a time."""
    if processes <= 1:
        yield from map(attempt, jobs)
        return
    with ProcessPoolExecutor(max_workers=min(processes, MOST_PROCESSES)) as pool:
        yield from pool.map(attempt, jobs)


def show(score: WorldScore) -> str:
    """Say in a few lines what became of one world."""
    speed = score.frames / score.seconds if score.seconds else 0.0
    lines = [f"{score.kind} {score.seed}: {score.days:.0f} days, {score.frames} frames, {speed:.0f}/s; {score.view}"]
    for fault in score.faults:
        delay = "not found" if fault.found_hours is None else f"found after {fault.found_hours:.1f} h"
        state = "" if fault.lasted else " (did not last)" if fault.shown else " (never showed)"
        wrong = f"; wrongly {', '.join(fault.ever_wrong)}" if fault.ever_wrong else ""
        lines.append(
            f"    {fault.cause}{state}: {delay}, named {fault.named}{wrong}; by {', '.join(fault.rules) or '-'}"
        )
    lines += [f"    ALARM {line}" for line in score.false_alarms[:8]]
    lines += [f"    notice {line}" for line in score.false_notices[:4]]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Try the worlds asked for, and print the page or write it."""
    parser = argparse.ArgumentParser(prog="python -m simulation.evaluate", description=__doc__)
    parser.add_argument("--family", choices=sorted(FAMILIES), default="report")
    parser.add_argument("--kinds", default=",".join(KINDS), help="kinds of world, with commas")
    parser.add_argument("--each", type=int, default=20, help="worlds of each kind of fault")
    parser.add_argument("--healthy", type=int, default=80, help="healthy worlds")
    parser.add_argument("--strange", type=int, default=0, help="strange boxes of each kind, and nothing else")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--processes", type=int, default=MOST_PROCESSES)
    parser.add_argument("--page", type=Path, nargs="?", const=PAGE, help="write the page, docs/evidence.md or another")
    parser.add_argument("--scores", type=Path, default=None, help="also write the scores as JSON lines")
    parser.add_argument("--show", action="store_true", help="show each world")
    options = parser.parse_args(arguments)
    last = options.first + options.strange
    command = " ".join(["python -m simulation.evaluate", *arguments])
    if options.strange:
        strange = [(kind, seed) for kind in ALL for seed in range(options.first, last)]
        tried = _follow(spread(_try_strange, strange, processes=options.processes), len(strange), options, show_strange)
        text = write_strange(tried, command=command)
    else:
        jobs = [
            (kind, seed, options.family)
            for kind in options.kinds.split(",")
            for seed in range(options.first, options.first + (options.healthy if kind == HEALTHY else options.each))
        ]
        scores = _follow(spread(_try_one, jobs, processes=options.processes), len(jobs), options, show)
        text = write_page(scores, family=options.family, command=command)
    show_or_put(text, options.page)
    return 0


def _follow(
    scores: Iterable[Score], number: int, options: argparse.Namespace, show_one: Callable[[Score], str]
) -> list[Score]:
    """Take scores as they come; show each, or how many there are."""
    taken = []
    for score in scores:
        taken.append(score)
        if options.show:
            print(show_one(score), flush=True)
        else:
            print(f"{len(taken)} of {number}", end="\r", file=sys.stderr, flush=True)
    if options.scores is not None:
        options.scores.write_text("".join(f"{json.dumps(asdict(score))}\n" for score in taken))  # type: ignore[call-overload] # dataclasses
    return taken


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
