"""Finds the episodes that nobody reported: in the next pass a drive is gone, or its statistics began again.

A drive that is gone from the tree in good order, with the kernel's log known to be read, was taken out by somebody; and
a controller that is reset without a word from the driver, which says why it resets one, was reset by somebody. Source:
Linux drivers/nvme/host/pci.c, nvme_timeout and nvme_error_detected; sysfs.c, nvme_sysfs_reset.
"""

from collections.abc import Iterator, Mapping, Sequence

from laneproof.box.topology import Topology
from laneproof.past.episodes import REENUMERATED, RESETTING, VANISHED, EpisodeBook, vanished
from laneproof.past.event_joining import REMOVED, PositionEvent
from laneproof.past.presence import AWAY, HERE, LEAVING, Presence
from laneproof.past.timeline import Timeline

LEAVING_SECONDS = 30.0
"""How long a driver may take to let go of a drive: one that hangs keeps it waiting for its time-outs. Our choice."""


def find_vanished(  # noqa: PLR0913 (what is known of a pass)
    book: EpisodeBook,
    tree: Topology,
    presences: Mapping[str, Presence],
    events: Sequence[PositionEvent],
    timeline: Timeline,
    *,
    restarted: Mapping[str, float],
    is_log_whole: bool,
) -> Iterator[PositionEvent]:
    """Find the episodes that nobody reported.

    `restarted` has, by path, whose counters began again, and when they had last been read.
    """
    now = timeline.now
    reported = {event.path for event in events if event.opens}
    is_log_read = is_log_whole and book.log_read_in_boot == timeline.boots
    for path, (_, name, state) in book.states.items():
        here = presences.get(path)
        if state != HERE or path in reported:
            continue
        if here is None:
            if not is_log_read and not tree.functions_at(path):
                yield vanished(path, name, now, REMOVED if book.is_log_unread else VANISHED)
        elif _state_to_keep(book, here, now, is_log_read=is_log_read) == AWAY:
            yield vanished(path, name, now)
        elif here.resetting:
            if not is_log_read:
                yield vanished(path, name, now, RESETTING)
        elif path in restarted and here.state != LEAVING and not _was_away(book, path, events, since=restarted[path]):
            yield vanished(path, name, now, REENUMERATED)


def _was_away(book: EpisodeBook, path: str, events: Sequence[PositionEvent], *, since: float) -> bool:
    """Whether it is known why a drive's counters began again since they were read last."""
    return any(event.path == path for event in events) or any(
        episode.path == path and episode.ended >= since for episode in book.episodes
    )


def note_presences(
    book: EpisodeBook, presences: Mapping[str, Presence], timeline: Timeline, *, is_log_whole: bool
) -> None:
    """Note what each position holds, for the next pass."""
    now, is_log_read = timeline.now, is_log_whole and book.log_read_in_boot == timeline.boots
    book.leaving = {path: book.leaving.get(path, now) for path, here in presences.items() if here.state == LEAVING}
    held = {
        path: (
            here.serial or book.states.get(path, ("", "", ""))[0],
            here.name,
            _state_to_keep(book, here, now, is_log_read=is_log_read),
        )
        for path, here in presences.items()
    }
    book.states = held | {path: (was[0], was[1], AWAY) for path, was in book.states.items() if path not in presences}


def _state_to_keep(book: EpisodeBook, here: Presence, now: float, *, is_log_read: bool) -> str:
    """Give a drive's state; what is let go of is as it was before, until that takes longer than it should.

    Between the driver's going and the function's, a removal in good order looks like a drive that its driver gave up.
    The latter is reported by the log; where that was not read, or the drive is known to have left, it is away at once.
    """
    if here.state != LEAVING:
        return here.state
    if here.unbound and (not is_log_read or book.is_out(here.path)):
        return AWAY
    if now - book.leaving.get(here.path, now) >= LEAVING_SECONDS:
        return AWAY
    return book.states.get(here.path, ("", "", LEAVING))[2]
