"""controller-resets: a drive whose controller had to be reset."""

from collections.abc import Iterator

from laneproof.advice import BACK_UP, OTHER_FIRMWARE, advise
from laneproof.findings import Finding, Kind
from laneproof.rules.drives.episode_series import RESETS_NAME, by_position, find_series, report_series
from laneproof.rules.rule import Pass, Rule, holds, sign


def _judge(current: Pass) -> Iterator[Finding]:
    for watched, episodes in by_position(current):
        lost = [episode for episode in episodes if episode.dropped]
        if lost and find_series(current.past.ledger, watched.path, lost) is not None:
            continue  # reported by drops-off-bus
        resets = [episode for episode in episodes if not episode.dropped]
        if resets and (series := find_series(current.past.ledger, watched.path, resets)) is not None:
            yield report_series(current.past, watched, series, CONTROLLER_RESETS)


CONTROLLER_RESETS = Rule(
    name=RESETS_NAME,
    kind=Kind.SIGN,
    statement="No drive's controller has to be reset.",
    why=(
        "A command that got no answer for half a minute, or a controller that says that it failed, makes the kernel "
        "reset it. It comes back in most cases, and all that anybody notices is a pause. The reason may be the drive, "
        "its firmware, or a link that is getting worse. Commands that were only aborted are a notice until the third "
        "time; a lost interrupt (completion polled) is no sign. The sign clears by the same rules as drops-off-bus."
    ),
    next_steps=advise(BACK_UP, "Compare the times with what ran then.", OTHER_FIRMWARE),
    judge=_judge,
    examples=(
        holds("a month without a reset"),
        sign(
            "a command timed out and the controller was reset",
            "riser-1 (nvme0) had its controller reset at 2026-10-17 14:12 UTC",
        ),
        holds("a completion's interrupt got lost, and was polled for"),
    ),
    sources=("Linux drivers/nvme/host/pci.c, nvme_timeout",),
)
