"""Disconnects and resets in words: each once, with its number, what it came to, and what held just before.

The number is the one that `laneproof confirm EPISODE CAUSE` takes. What was not known is left out, never shown as 0.
"""

import math
from collections.abc import Iterator, Mapping

from laneproof.outputs.events_text import EPISODE, Happening
from laneproof.past.episodes import REENUMERATED, RESETTING, VANISHED, Before, Episode
from laneproof.past.ledger import Ledger
from laneproof.rules.drives.episode_series import describe_episode
from laneproof.rules.sign_subjects import say_seconds

_UNREPORTED = {
    VANISHED: "gone at the next pass, and nothing reported it",
    RESETTING: "seen while it was being reset",
    REENUMERATED: "seen only by a counter that began again",
}
_UNITS = ("B/s", "kB/s", "MB/s", "GB/s")


def list_episodes(
    ledger: Ledger, labels: Mapping[str, str], *, since: float | None, until: float
) -> Iterator[Happening]:
    """List the disconnects and resets between two times; `labels` by path, `since` None for all."""
    for episode in ledger.episodes.episodes:
        t = ledger.timeline.to_wall(episode.dropped_at)
        if (since is not None and t < since) or t > until:
            continue
        yield Happening(
            t=t,
            kind=EPISODE,
            text=f"episode {episode.number}: {'; '.join(_say(episode, labels))}",
            position=labels.get(episode.path),
            path=episode.path,
            drive=episode.serial,
            device=episode.device,
            detail=describe_episode(ledger, episode),
        )


def _say(episode: Episode, labels: Mapping[str, str]) -> Iterator[str]:
    yield _say_what(episode)
    yield from (words for kind, words in _UNREPORTED.items() if kind in episode.kinds)
    if reported := [kind for kind in episode.kinds if kind not in _UNREPORTED]:
        yield f"reported as {', '.join(reported)} ({episode.lines} line{'s' if episode.lines != 1 else ''})"
    if episode.together:
        yield f"together with {', '.join(labels.get(path, path) for path in episode.together)}"
    if episode.power_lost is not None:
        yield "it lost its power" if episode.power_lost else "it kept its power"
    if held := ", ".join(_say_before(episode.before)):
        yield f"just before: {held}"


def _say_what(episode: Episode) -> str:
    if not episode.is_failure:
        return "taken out in good order"
    if episode.only_aborted:
        return "commands timed out and were taken back"
    what = "dropped off the bus" if episode.dropped else "controller reset"
    if episode.returned_at is None:
        return f"{what}, not back"
    if episode.returned_boot not in (None, episode.boot):
        return f"{what}, back only after the machine was started again"
    return f"{what} for {say_seconds(episode.returned_at - episode.dropped_at)}" if episode.dropped else what


def _say_before(before: Before) -> Iterator[str]:
    if before.load is not None:
        rate = before.load_bytes_per_second
        yield before.load if not rate else f"{before.load} at {_say_rate(rate)}"
    if before.celsius is not None:
        limit = "" if before.warning_celsius is None else f" (it warns at {before.warning_celsius:g})"
        yield f"{before.celsius:g} °C{limit}"
    if before.trained is not None:
        yield f"link {before.trained}"
    if before.idle_states is not None:
        yield f"idle states {'on' if before.idle_states else 'off'}"
    if before.recent_errors is not None:
        yield f"{before.recent_errors or 'no'} link error{'s' if before.recent_errors != 1 else ''} in the day before"


def _say_rate(bytes_per_second: float) -> str:
    thousands = min(int(math.log10(max(bytes_per_second, 1.0)) // 3), len(_UNITS) - 1)
    return f"{bytes_per_second / 1e3**thousands:.3g} {_UNITS[thousands]}"
