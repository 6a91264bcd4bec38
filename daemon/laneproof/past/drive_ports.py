"""The ports of a drive with two, or the paths to one behind several: which of them were lost."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from laneproof.past.timeline import Timeline

FORGET_SECONDS = 30 * 86400.0
"""A port that has been missing for longer was given up by the owner. Our choice."""


@dataclass(slots=True, kw_only=True)
class LostPort:
    """A port of a drive, or a path to it, that is gone."""

    path: str  # the position that led to the drive
    at: float  # when it was first missing, ledger time
    ran_on: bool  # whether the machine ran on since it was last there


@dataclass(slots=True, kw_only=True)
class DrivePorts:
    """The ports of one drive, or the paths to it."""

    here: list[str] = field(default_factory=list)  # the positions that led to it when it was last read
    lost: list[LostPort] = field(default_factory=list)  # those that led to it before, while another still does

    def read(self, paths: Sequence[str], timeline: Timeline, *, ran_on: bool) -> None:
        """Add one reading; a drive that none of its earlier paths leads to was moved, and has lost none."""
        if paths == self.here and not self.lost:
            return
        known = {*self.here, *(port.path for port in self.lost)}
        missing = {port.path: port for port in self.lost if timeline.now - port.at < FORGET_SECONDS}
        for path in self.here:
            if path not in paths:
                missing.setdefault(path, LostPort(path=path, at=timeline.now, ran_on=ran_on))
        is_moved = known.isdisjoint(paths)
        self.lost = [] if is_moved else [port for path, port in sorted(missing.items()) if path not in paths]
        self.here = list(paths)
