"""The ways to a drive that has more than one: a drive with two ports, or one behind several paths."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from laneproof.past.timeline import Timeline

FORGET_SECONDS = 30 * 86400.0
"""A way that has been missing for longer was given up by the owner. Our choice."""


@dataclass(slots=True, kw_only=True)
class LostWay:
    """A way to a drive that is there no more.

    Attributes:
        path: The position that led to the drive.
        at: When it was first missing, ledger time.
        ran_on: Whether the machine ran on since it was last there.
    """

    path: str
    at: float
    ran_on: bool


@dataclass(slots=True, kw_only=True)
class DriveWays:
    """The ways to one drive.

    Attributes:
        here: The positions that led to it when it was last read.
        lost: Those that led to it before, while another still does.
    """

    here: list[str] = field(default_factory=list)
    lost: list[LostWay] = field(default_factory=list)

    def read(self, ways: Sequence[str], timeline: Timeline, *, ran_on: bool) -> None:
        """Take one reading; a drive that none of its old ways leads to was moved, and has lost none."""
        if ways == self.here and not self.lost:
            return
        known = {*self.here, *(way.path for way in self.lost)}
        missing = {way.path: way for way in self.lost if timeline.now - way.at < FORGET_SECONDS}
        for path in self.here:
            if path not in ways:
                missing.setdefault(path, LostWay(path=path, at=timeline.now, ran_on=ran_on))
        is_moved = known.isdisjoint(ways)
        self.lost = [] if is_moved else [way for path, way in sorted(missing.items()) if path not in ways]
        self.here = list(ways)
