"""``laneproof confirm WHAT CAUSE``: confirm what a cause turned out to be; this box's weights learn."""

import argparse
import os
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NamedTuple

from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.commands.inputs import load_build, now_by_clock
from laneproof.commands.moment_argument import parse_moment
from laneproof.commands.note import leave
from laneproof.commands.terminal import show
from laneproof.declaration.build import Build
from laneproof.diagnosis.case import open_case
from laneproof.diagnosis.features import find_features
from laneproof.diagnosis.finding_causes import EXPLAINED
from laneproof.diagnosis.weights import DEFAULT, say_cause
from laneproof.engine import STATE_NAME
from laneproof.findings import format_time
from laneproof.history.finding_lives import FindingLife
from laneproof.history.notes import CONFIRMED, KeptNote
from laneproof.past.ledger import Ledger
from laneproof.past.saved_state import LedgerStateError
from laneproof.rules.drives.episode_series import OFF_BUS_NAME, RESETS_NAME

DAY = 86400.0
_LOOK_BACK_SECONDS = 90 * DAY
"""Without a day, how far back the last trouble of a position may lie."""


class _Trouble(NamedTuple):
    """What the owner found the cause of."""

    words: str
    path: str
    serial: str
    rules: Mapping[str, Sequence[str]]  # as they were reported then, with their findings' reasons
    detail: dict[str, Any]


def run(arguments: argparse.Namespace) -> int:
    """Keep one cause that turned out."""
    causes = [str(cause) for cause in DEFAULT.priors]
    if arguments.cause not in causes:
        near = get_close_matches(arguments.cause, causes, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"one of {', '.join(causes)}"
        raise CommandError(f"no such cause: {arguments.cause!r}; {hint}", status=os.EX_USAGE)
    file, now = find_history(arguments.state), now_by_clock()
    with open_history(file) as history:
        state, lives = history.load_state(STATE_NAME), history.read_findings()
    ledger = _open_ledger(state, file)
    if arguments.what.isdecimal() and arguments.day is None:
        trouble = _find_episode(ledger, int(arguments.what))
    else:
        begins, ends = now - _LOOK_BACK_SECONDS, now
        if arguments.day is not None:
            begins = parse_moment(arguments.day, now=now) // DAY * DAY
            ends = begins + DAY
        trouble = _find_trouble(ledger, lives, load_build(arguments.build), arguments.what, begins, ends)
    evidence = gather_evidence(ledger, trouble.path, trouble.serial, trouble.rules)
    detail = trouble.detail | {"cause": arguments.cause, "evidence": evidence}
    text = f"{trouble.words} was {say_cause(arguments.cause)}"
    kept = KeptNote(t=now, kind=CONFIRMED, text=text, path=trouble.path, drive=trouble.serial, detail=detail)
    leave(kept, arguments.state)
    show(f"kept: {text}, with {len(evidence)} features known of it\n")
    return 0


def gather_evidence(ledger: Ledger, path: str, serial: str, rules: Mapping[str, Sequence[str]]) -> dict[str, bool]:
    """Give what is known of a case, by feature, for the weights to learn from.

    `rules` are those that spoke of it, with their findings' reasons; `serial` is empty where it is not known.
    """
    features = find_features(open_case(ledger, path, serial, rules))
    return {name: seen for name, seen in features.items() if seen is not None}


def _open_ledger(state: Any, file: str) -> Ledger:  # noqa: ANN401 (any JSON value)
    kept = state.get("ledger") if isinstance(state, dict) else None
    if not isinstance(kept, dict):
        raise CommandError(f"{file}: it holds no episodes yet", status=os.EX_DATAERR)
    try:
        return Ledger.from_state(kept)
    except LedgerStateError as error:
        raise CommandError(f"{file}: {error}", status=os.EX_DATAERR) from error


def _find_episode(ledger: Ledger, number: int) -> _Trouble:
    episodes = {episode.number: episode for episode in ledger.episodes.episodes if episode.is_failure}
    if number not in episodes:
        known = ", ".join(str(episode) for episode in sorted(episodes)[-5:]) or "there are none"
        raise CommandError(f"no episode has the number {number}; the last ones are {known}", status=os.EX_USAGE)
    episode = episodes[number]
    rule = OFF_BUS_NAME if episode.dropped else RESETS_NAME
    return _Trouble(f"episode {number}", episode.path, episode.serial, {rule: ()}, {"episode": number})


def _find_trouble(  # noqa: PLR0913 (one question)
    ledger: Ledger, lives: Sequence[FindingLife], build: Build | None, name: str, begins: float, ends: float
) -> _Trouble:
    """Find what was wrong at a position between two times: what stood there then, episodes or not."""
    position = build.position_named(name) if build else None
    path = position.path if position else name
    here = [
        life
        for life in lives
        if life.finding.rule in EXPLAINED
        and (life.finding.position == name or path in (life.finding.path, life.finding.key))
    ]
    if position is None and not here:
        near = get_close_matches(name, [declared.label for declared in build.position] if build else [], n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise CommandError(f"no episode and no position is called {name!r}{hint}", status=os.EX_USAGE)
    then = [life for life in here if life.raised_at < ends and (life.cleared_at is None or life.cleared_at >= begins)]
    if not then:
        days = ", ".join(f"{life.finding.rule} on {format_time(life.raised_at)[:10]}" for life in here[-3:])
        known = f"the last were {days}" if days else "nothing was ever wrong there"
        raise CommandError(f"nothing was wrong at {name} then; {known}", status=os.EX_USAGE)
    last = max(then, key=lambda life: life.raised_at)
    when = max(last.raised_at, begins)
    drive = ledger.drives.at(path)
    serial = last.finding.serial or (drive.serial if drive is not None else "")
    words = f"{name} on {format_time(when)[:10]}"
    return _Trouble(words, path, serial, {life.finding.rule: life.finding.reasons for life in then}, {"position": name})
