"""Disconnects and resets in words: each once, with its number, what it came to, and what held just before.

The number is the one that `laneproof confirm EPISODE CAUSE` takes. What was not known is left out, never told as zero.
"""

import math
from collections.abc import Iterator, Mapping

from laneproof.outputs.events_text import EPISODE, Happening
from laneproof.past.drops import REENUMERATED, RESETTING, VANISHED, Before, Drop
from laneproof.past.ledger import Ledger
from laneproof.rules.drives.signs_drops import describe_drop
from laneproof.rules.sign_subjects import say_seconds

_NOBODY_TOLD = {
    VANISHED: "gone at the next look, told by nobody",
    RESETTING: "seen while it was reset",
    REENUMERATED: "seen only by a counter that began anew",
}
_UNITS = ("B/s", "kB/s", "MB/s", "GB/s")


def tell_episodes(
    ledger: Ledger, labels: Mapping[str, str], *, since: float | None, until: float
) -> Iterator[Happening]:
    """Tell the disconnects and resets of a stretch of time.

    Args:
        ledger: The ledger.
        labels: Label by path, of the declared positions.
        since: Not before this, unix seconds; None for all.
        until: Not after this.
    """
    for drop in ledger.drops.drops:
        t = ledger.timeline.to_wall(drop.dropped_at)
        if (since is not None and t < since) or t > until:
            continue
        yield Happening(
            t=t,
            kind=EPISODE,
            text=f"episode {drop.number}: {'; '.join(_say(drop, labels))}",
            position=labels.get(drop.path),
            path=drop.path,
            drive=drop.serial,
            device=drop.device,
            detail=describe_drop(ledger, drop),
        )


def _say(drop: Drop, labels: Mapping[str, str]) -> Iterator[str]:
    yield _say_what(drop)
    untold = [words for kind, words in _NOBODY_TOLD.items() if kind in drop.kinds]
    told = [kind for kind in drop.kinds if kind not in _NOBODY_TOLD]
    yield from untold
    if told:
        yield f"told by {', '.join(told)} ({drop.lines} line{'s' if drop.lines != 1 else ''})"
    if drop.together:
        yield f"together with {', '.join(labels.get(one, one) for one in drop.together)}"
    if drop.power_lost is not None:
        yield "it lost its power" if drop.power_lost else "it kept its power"
    if held := ", ".join(_say_before(drop.before)):
        yield f"just before: {held}"


def _say_what(drop: Drop) -> str:
    if drop.asked:
        return "taken out in good order"
    if drop.only_aborted:
        return "commands timed out and were taken back"
    what = "dropped off the bus" if drop.dropped else "controller reset"
    if drop.returned_at is None:
        return f"{what}, not back"
    if drop.returned_boot not in (None, drop.boot):
        return f"{what}, back only after the machine was started again"
    return f"{what} for {say_seconds(drop.returned_at - drop.dropped_at)}" if drop.dropped else what


def _say_before(before: Before) -> Iterator[str]:
    if before.load is not None:
        rate = before.load_bytes_per_second
        yield before.load if not rate else f"{before.load} at {_say_rate(rate)}"
    if before.celsius is not None:
        limit = "" if before.warning_celsius is None else f" (its warning stands at {before.warning_celsius:g})"
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
