"""Takes the figures: how well the program does on simulated boxes of which the truth is known; writes docs/evidence.md.

Run as ``python -m simulation.evaluate`` with ``tests`` as the working folder. ``--family tuning`` shows the boxes on
which thresholds and weights were tuned; the figures of record are of the family ``report``. The same arguments give the
same boxes.
"""

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

from simulation.evidence_page import write_page
from simulation.families import FAMILIES
from simulation.plots import KINDS
from simulation.replaying import try_world
from simulation.scoring import WorldScore
from simulation.worlds import HEALTHY, make_world

PAGE = Path(__file__).parents[2] / "docs" / "evidence.md"
MOST_PROCESSES = 2


def _try_one(job: tuple[str, int, str]) -> WorldScore:
    kind, seed, family = job
    return try_world(make_world(kind, seed, FAMILIES[family]))


def evaluate(jobs: Sequence[tuple[str, int, str]], *, processes: int) -> Iterable[WorldScore]:
    """Try worlds, in order.

    Args:
        jobs: Kind, seed and family of each.
        processes: How many at a time.
    """
    if processes <= 1:
        yield from map(_try_one, jobs)
        return
    with ProcessPoolExecutor(max_workers=min(processes, MOST_PROCESSES)) as pool:
        yield from pool.map(_try_one, jobs)


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
    lines += [f"    PAGE {told}" for told in score.false_pages[:8]]
    lines += [f"    note {told}" for told in score.false_notes[:4]]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Try the worlds asked for; write the page, or show each world."""
    parser = argparse.ArgumentParser(prog="python -m simulation.evaluate", description=__doc__)
    parser.add_argument("--family", choices=sorted(FAMILIES), default="report")
    parser.add_argument("--kinds", default=",".join(KINDS), help="kinds of world, with commas")
    parser.add_argument("--each", type=int, default=20, help="worlds of each kind of fault")
    parser.add_argument("--healthy", type=int, default=80, help="healthy worlds")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--processes", type=int, default=MOST_PROCESSES)
    parser.add_argument(
        "--page", type=Path, default=None, help=f"where to write the page (default {PAGE.name} in docs)"
    )
    parser.add_argument("--scores", type=Path, default=None, help="also write the scores as JSON lines")
    parser.add_argument("--show", action="store_true", help="show each world and write no page")
    options = parser.parse_args(arguments)
    jobs = [
        (kind, seed, options.family)
        for kind in options.kinds.split(",")
        for seed in range(options.first, options.first + (options.healthy if kind == HEALTHY else options.each))
    ]
    scores = []
    for score in evaluate(jobs, processes=options.processes):
        scores.append(score)
        if options.show:
            print(show(score), flush=True)
        else:
            print(f"{len(scores)} of {len(jobs)}", end="\r", file=sys.stderr, flush=True)
    if options.scores is not None:
        options.scores.write_text("".join(f"{json.dumps(asdict(score))}\n" for score in scores))
    text = write_page(scores, family=options.family, command=" ".join(["python -m simulation.evaluate", *arguments]))
    if options.show:
        print(text)
    else:
        (options.page or PAGE).write_text(text)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
