"""Waiting for a drive to appear in a position. It only reads."""

from collections.abc import Callable

from laneproof.box.occupants import Occupant
from laneproof.box.topology import topology_of
from laneproof.replacement import is_new_drive
from laneproof_collectors.collection import Collector, assemble, make_collectors, read_fenced
from laneproof_collectors.host import Host

POLL_SECONDS = 2.0
PASSES_TO_SETTLE = 3
"""A drive that just appeared shows the same in so many passes, before it is judged."""
LONGEST_SETTLING_SECONDS = 60.0

_GROUPS = ("functions", "controllers")
_OTHER_DRIVES = "drives"  # asks smartctl, so it is read only for a position on a controller


class _PositionReader:
    """Reads one position again and again."""

    def __init__(self, host: Host, path: str) -> None:
        groups = (*_GROUPS, _OTHER_DRIVES) if "-" in path.rpartition("/")[2] else _GROUPS
        self._host, self._path = host, path
        self._collectors: tuple[Collector, ...] = tuple(
            collector for collector in make_collectors() if collector.group in groups
        )

    def read(self) -> Occupant | None:
        """Give what is in the position now."""
        facts = {collector.group: read_fenced(collector, self._host) for collector in self._collectors}
        return topology_of(assemble(facts, self._host.clock())).occupant_at(self._path)


def wait_for_drive(
    host: Host, path: str, was: str | None, *, timeout_seconds: float, report: Callable[[str], None]
) -> bool:
    """Wait until a position holds another drive, or the same one again after it was out, and until that has settled.

    `was` is the serial number of the drive that was there; `report` is called at each turn, in a few words.

    Returns:
        Whether a drive is there to be checked; False where the time was over.
    """
    position = _PositionReader(host, path)
    began = host.clock().up_seconds
    appeared: float | None = None
    was_out, passes, last = False, 0, None
    while True:
        occupant, now = position.read(), host.clock().up_seconds
        is_here = is_new_drive(occupant, was) or (was_out and occupant is not None and occupant.answers)
        if not is_here:
            if appeared is not None or (occupant is None and not was_out):
                report("the position is empty")
            was_out, appeared, passes = was_out or occupant is None, None, 0
        else:
            if appeared is None:
                appeared = now
                report("a drive is there; it is given time to settle")
            passes = passes + 1 if _state_of(occupant) == last else 1
            if passes >= PASSES_TO_SETTLE or now - appeared >= LONGEST_SETTLING_SECONDS:
                return True
        last = _state_of(occupant)
        if now - began >= timeout_seconds:
            return False
        host.wait(POLL_SECONDS)


def _state_of(occupant: Occupant | None) -> tuple[object, ...] | None:
    """Give what must stay the same while a drive settles."""
    if occupant is None:
        return None
    state = occupant.controller.state if occupant.controller else None
    link = occupant.functions[0].link if occupant.functions else None
    return occupant.name, occupant.serial, occupant.capacity_bytes, occupant.disks, state, link
