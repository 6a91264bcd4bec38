"""When each position was last proven under load, and whether anything is otherwise since."""

from collections.abc import Iterable, Iterator, Sequence

from laneproof.box.placement import Arrangement
from laneproof.findings import write_time
from laneproof.proof.judgement import Verdict, judge
from laneproof.proof.run_record import KeptModel, ProofRun
from laneproof.proof.targets import find_targets


class ProvenAlone(KeptModel):
    """A later run of one position: which, when, how, and what it came to."""

    position: str
    at: float
    mode: str
    verdict: Verdict


class LastRun(KeptModel):
    """The last run of the whole box: when, how, what it came to; and what came since.

    Attributes:
        at: Unix seconds.
        mode: quick, default or thorough.
        changed_since: What is otherwise than when its position was last proven, in sentences.
        alone: Runs of one position since.
    """

    at: float
    mode: str
    verdict: Verdict
    changed_since: tuple[str, ...] = ()
    alone: tuple[ProvenAlone, ...] = ()

    @property
    def sentence(self) -> str:
        """The same in words."""
        said = f"Last proven under load on {write_time(self.at)} ({self.mode}): {self.verdict}"
        for run in self.alone:
            said += f"; {run.position} alone on {write_time(run.at)} ({run.mode}): {run.verdict}"
        if not self.changed_since:
            return f"{said}; no drive, firmware or part is another since."
        return f"{said}. Not proven since: {'; '.join(self.changed_since)}."


def find_latest(runs: Iterable[ProofRun]) -> tuple[ProofRun, ...]:
    """Find the last run of the whole box and the last one of each position alone since, oldest first."""
    latest: dict[str | None, ProofRun] = {}
    for run in sorted(runs, key=lambda run: run.began_at):
        if run.only is None:
            latest.clear()
        latest.pop(run.only, None)
        latest[run.only] = run
    return tuple(latest.values())


def describe_last(runs: Sequence[ProofRun], arrangement: Arrangement) -> LastRun | None:
    """Say when a box was last proven, by the runs of `find_latest`, and what is otherwise since.

    Returns:
        None where no run was kept.
    """
    if not runs:
        return None
    first, *alone = runs
    return LastRun(
        at=first.began_at,
        mode=first.mode if first.only is None else f"{first.mode}, {first.only} alone",
        verdict=judge(first).verdict,
        changed_since=tuple(_list_changes(runs, arrangement)),
        alone=tuple(
            ProvenAlone(position=run.only or "", at=run.began_at, mode=run.mode, verdict=judge(run).verdict)
            for run in alone
        ),
    )


def _list_changes(runs: Sequence[ProofRun], arrangement: Arrangement) -> Iterator[str]:
    """Say what is otherwise than when its position was last under load."""
    now = find_targets(arrangement)
    current = {target.path: target.record for target in now.drives}
    latest = {drive.path: (run, drive) for run in runs for drive in run.drives}
    for run, drive in latest.values():
        there = current.pop(drive.path, None)
        if there is None:
            yield f"{drive.name}: its drive is not there"
        elif there.serial != drive.serial:
            yield f"{drive.name}: another drive"
        elif there.firmware != drive.firmware:
            yield f"{drive.name}: firmware {drive.firmware}, now {there.firmware}"
        if now.parts.get(drive.name, "") != run.parts.get(drive.name, ""):
            yield f"{drive.name}: other parts between"
    for added in current.values():
        yield f"{added.name}: it was not in that run"
