"""One case to be diagnosed: a place and the drive in it, with all that the ledger holds of both.

The place keeps its own history and the drive takes its own along, so a case is made of both: what happened in this
place with any drive, and to this drive in any place.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from laneproof.past.drives import DriveRecord
from laneproof.past.episodes import Episode
from laneproof.past.ledger import Ledger
from laneproof.past.link_errors import LinkRecord
from laneproof.past.media import find_media_times
from laneproof.past.trials import DROPS, Trial

DAY = 86400.0
LOOK_BACK_SECONDS = 90 * DAY
"""What lies further back belongs to another case: from now, or from the last drop as long as that is complained of, or
what was done about it is on trial. Judgement."""
APART_SECONDS = 60 * DAY
"""Drops that follow each other within this are one case, however long it goes on: a clock that strikes every few weeks
is known by its strokes. Judgement."""
LOWEST_GT_S = 2.5
"""Generation 1. Source: PCI Express Base Specification; from memory."""
_COMPLAINTS = frozenset({"drops-off-bus", "controller-resets"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One case.

    Attributes:
        ledger: What all passes add up to.
        path: The place.
        serial: The drive's serial number, empty where it is not known.
        drive: Its record.
        drops: Disconnects and resets of the place and of the drive, oldest first.
        media: When the drive reported new media errors.
        links: Link records of the place and of the drive.
        told: Rules that speak of the place or the drive now, each with the reasons that its finding gives.
        since: When the case began: its first evidence; None where there is none that has a time.
    """

    ledger: Ledger
    path: str
    serial: str
    drive: DriveRecord | None
    drops: tuple[Episode, ...]
    media: tuple[float, ...]
    links: tuple[LinkRecord, ...]
    told: Mapping[str, Sequence[str]] = field(default_factory=dict)
    since: float | None = None

    @property
    def now(self) -> float:
        """Ledger time."""
        return self.ledger.now

    @property
    def watched_seconds(self) -> float:
        """For how long the machine was watched while it ran."""
        return self.ledger.timeline.watched_seconds

    @property
    def runs_at_lowest_rate(self) -> bool:
        """Whether its link runs at 2.5 GT/s, below which there is no rate."""
        record = self.ledger.links.at(self.path)
        return record is not None and record.gt_s is not None and record.gt_s <= LOWEST_GT_S

    def trial(self, what: str) -> Trial | None:
        """Give the last trial of a kind of fix that was decided."""
        decided = [
            one
            for one in self.ledger.trials.trials
            if one.what == what and one.decided_at is not None and self._is_mine(one)
        ]
        return decided[-1] if decided else None

    def was_tried(self, what: str) -> bool:
        """Whether a kind of fix was made for what this case is about, decided or not."""
        first = self.drops[0].dropped_at if self.drops else self.now
        return any(
            one.what == what and one.began_at >= first and self._is_mine(one) for one in self.ledger.trials.trials
        )

    def _is_mine(self, trial: Trial) -> bool:
        return _concerns(trial, self.path, self.serial)


def _concerns(trial: Trial, path: str, serial: str) -> bool:
    return trial.path == path or bool(serial and trial.serial == serial)


def _latest_run(drops: Sequence[Episode]) -> list[Episode]:
    """Give the last drop with all that lead up to it without too long a pause."""
    first = len(drops) - 1
    while first > 0 and _follows(drops[first - 1], drops[first], drops[-1]):
        first -= 1
    return list(drops[first:])


def _follows(one: Episode, later: Episode, last: Episode) -> bool:
    near = later.dropped_at - one.dropped_at <= APART_SECONDS
    return near or last.dropped_at - one.dropped_at <= LOOK_BACK_SECONDS


def open_case(ledger: Ledger, path: str, serial: str, told: Mapping[str, Sequence[str]]) -> Case:
    """Gather a case.

    Args:
        ledger: What all passes add up to.
        path: The place.
        serial: The drive's serial number, empty where it is not known.
        told: Rules that speak of it, with their findings' reasons.
    """
    drive = ledger.drives.records.get(serial) if serial else ledger.drives.at(path)
    known = serial or ("" if drive is None or "/" in drive.serial else drive.serial)
    horizon = ledger.now - LOOK_BACK_SECONDS
    drops = ledger.episodes.of(path, known or None)
    on_trial = any(one.complaint == DROPS and _concerns(one, path, known) for one in ledger.trials.open())
    still_counts = bool(drops) and (on_trial or not _COMPLAINTS.isdisjoint(told))
    drops = _latest_run(drops) if still_counts else [one for one in drops if one.dropped_at >= horizon]
    media = tuple(when for when, _ in (find_media_times(drive, ledger.episodes) if drive else ()) if when >= horizon)
    links = {id(one): one for one in (*ledger.links.of_path(path), *ledger.links.of_drive(known))}
    first = [one.dropped_at for one in drops[:1]] + list(media[:1])
    return Case(
        ledger=ledger,
        path=path,
        serial=known,
        drive=drive,
        drops=tuple(drops),
        media=media,
        links=tuple(links.values()),
        told=told,
        since=min(first, default=None),
    )
