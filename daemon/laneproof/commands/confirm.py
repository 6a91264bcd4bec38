"""``laneproof confirm EPISODE CAUSE``: confirm what a cause turned out to be; this box's weights learn."""

import argparse
import os
from difflib import get_close_matches
from typing import Any

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.note import leave, now_by_clock
from laneproof.diagnosis.case import open_case
from laneproof.diagnosis.features import find_features
from laneproof.diagnosis.weights import DEFAULT
from laneproof.engine import STATE_NAME
from laneproof.history.notes import CONFIRMED, Note
from laneproof.past.episodes import Episode
from laneproof.past.ledger import Ledger
from laneproof.past.state import LedgerStateError
from laneproof.rules.drives.episode_series import DROPS_NAME, RESETS_NAME


def run(arguments: argparse.Namespace) -> int:
    """Keep one cause that turned out."""
    causes = [str(cause) for cause in DEFAULT.priors]
    if arguments.cause not in causes:
        near = get_close_matches(arguments.cause, causes, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"one of {', '.join(causes)}"
        raise CommandError(f"no such cause: {arguments.cause!r}; {hint}", status=os.EX_USAGE)
    file = find_history(arguments.state)
    with open_history(file) as history:
        state = history.load_state(STATE_NAME)
    ledger = _open_ledger(state, file)
    episode = _find_episode(ledger, arguments.episode)
    rule = DROPS_NAME if episode.dropped else RESETS_NAME  # as it was reported when it happened, however long ago
    features = find_features(open_case(ledger, episode.path, episode.serial, {rule: ()}))
    known = {name: seen for name, seen in features.items() if seen is not None}
    detail = {"episode": episode.number, "cause": arguments.cause, "evidence": known}
    text = f"episode {episode.number} was {arguments.cause}"
    now = now_by_clock()
    leave(
        Note(t=now, kind=CONFIRMED, text=text, path=episode.path, drive=episode.serial, detail=detail), arguments.state
    )
    print(f"kept: {text}, with {len(known)} features known of it")  # noqa: T201 (the output)
    return 0


def _open_ledger(state: Any, file: str) -> Ledger:  # noqa: ANN401 (any JSON value)
    kept = state.get("ledger") if isinstance(state, dict) else None
    if not isinstance(kept, dict):
        raise CommandError(f"{file}: it holds no episodes yet", status=os.EX_DATAERR)
    try:
        return Ledger.from_state(kept)
    except LedgerStateError as error:
        raise CommandError(f"{file}: {error}", status=os.EX_DATAERR) from error


def _find_episode(ledger: Ledger, number: int) -> Episode:
    episodes = {episode.number: episode for episode in ledger.episodes.episodes if episode.counts}
    if number not in episodes:
        known = ", ".join(str(episode) for episode in sorted(episodes)[-5:]) or "there are none"
        raise CommandError(f"no episode has the number {number}; the last ones are {known}", status=os.EX_USAGE)
    return episodes[number]
