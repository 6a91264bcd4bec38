"""Acceptance runs as they are kept: left for the daemon beside its history, and found again there or in files."""

import json
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from laneproof.box.placement import Arrangement
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.inputs import now_by_clock, read_text
from laneproof.commands.moment_argument import parse_moment
from laneproof.commands.note import leave
from laneproof.history.notes import PROOF, PROOF_BEGAN, KeptNote
from laneproof.proof.judgement import Proof
from laneproof.proof.last_proven import LastRun, describe_last, find_latest
from laneproof.proof.run_record import ProofRun
from laneproof.service.owner_notes import end_run, find_runs
from laneproof.service.run_lock import hold_lock

_LONGEST_REPORT = 64 << 20  # a short run of five drives takes 50 KB


@contextmanager
def announce_run(state: str | None, *, now: float, seconds: float) -> Iterator[None]:
    """Tell the daemon that a run goes on, so that its load is not taken for the box's own; without a daemon, nobody.

    It began at `now`, unix seconds, and takes so many seconds at most.

    Raises:
        CommandError: Another run goes on.
    """
    text = f"an acceptance run of {seconds / 60:.0f} minutes at most began"
    with ExitStack() as lock:
        try:
            lock.enter_context(hold_lock(Path(find_history(state)).parent))
        except BlockingIOError as error:
            message = "another run goes on, and two at once would disturb each other; wait until it is over"
            raise CommandError(message, status=os.EX_TEMPFAIL) from error
        except OSError:  # no history; or the note alone bounds the run
            pass
        leave(KeptNote(t=now, kind=PROOF_BEGAN, text=text, detail={"until": now + seconds}), state)
        try:
            yield
        except BaseException:
            with suppress(CommandError):  # what made the run fail is what is to be said
                leave(end_run("the acceptance run failed, and left no record", at=now_by_clock()), state)
            raise


def keep_run(state: str | None, run: ProofRun, proof: Proof) -> bool:
    """Leave a run for the daemon, which keeps it in its history; gives whether there is one."""
    text = f"acceptance run ({run.mode}): {proof.verdict}"
    detail = run.model_dump(mode="json", by_alias=True)
    return leave(KeptNote(t=run.began_at + run.seconds, kind=PROOF, text=text, detail=detail), state)


def read_runs(state: str | None) -> tuple[ProofRun, ...]:
    """Read the runs that the daemon's history holds, oldest first; one that cannot be read is passed over.

    Raises:
        CommandError: There is no history, or none that can be read.
    """
    with open_history(find_history(state)) as history:
        return find_runs(history.read_notes())


def find_last_run(state: str | None, arrangement: Arrangement) -> LastRun | None:
    """Find the last run that the daemon's history holds, and what is otherwise since; None where there is none."""
    try:
        runs = read_runs(state)
    except CommandError:  # no history, or none that can be read: then no run is known
        return None
    return describe_last(find_latest(runs), arrangement)


def load_run(name: str, state: str | None) -> ProofRun:
    """Load one run: a report's file, or ``@MOMENT``, the last run of the daemon's history before it.

    Raises:
        CommandError: There is no such run, or it cannot be read.
    """
    if not name.startswith("@"):
        return _load_report(name)
    moment = parse_moment(name[1:], now=now_by_clock())
    found = [run for run in read_runs(state) if run.began_at <= moment]
    if not found:
        raise CommandError(f"{name}: the history holds no run before that moment", status=os.EX_NOINPUT)
    return found[-1]


def _load_report(file: str) -> ProofRun:
    text = read_text(file, most_bytes=_LONGEST_REPORT, what="report of 'laneproof prove'")
    try:
        return ProofRun.model_validate(json.loads(text)["run"])
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        why = "it has no run" if isinstance(error, KeyError | TypeError) else str(error).splitlines()[0]
        raise CommandError(f"{file}: not a report of 'laneproof prove': {why}", status=os.EX_DATAERR) from error
