"""One case to be diagnosed: a position and the drive in it, with all that the ledger holds of both.

The position keeps its own history and the drive takes its own along, so a case is made of both: what happened in this
position with any drive, and to this drive in any position.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from laneproof.box.link_rates import LOWEST_GT_S
from laneproof.past.drives import DriveRecord
from laneproof.past.episodes import Episode
from laneproof.past.fix_trials import EPISODES, Trial
from laneproof.past.ledger import Ledger
from laneproof.past.link_errors import LinkRecord
from laneproof.past.media_errors import find_media_times

DAY = 86400.0
LOOK_BACK_SECONDS = 90 * DAY
"""What is older belongs to another case: older than this before now, or before the last episode while a finding still
reports it or a fix for it is on trial. Our choice."""
APART_SECONDS = 60 * DAY
"""Episodes closer together than this are one case, however long it goes on: a fault that comes every few weeks is known
by its regularity. Our choice."""
_EPISODE_RULES = frozenset({"drops-off-bus", "controller-resets"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is known of one position and the drive in it."""

    ledger: Ledger
    path: str
    serial: str  # the drive's serial number, empty where it is not known
    drive: DriveRecord | None
    episodes: tuple[Episode, ...]  # disconnects and resets of the position and of the drive, oldest first
    media: tuple[float, ...]  # when the drive reported new media errors
    links: tuple[LinkRecord, ...]  # link records of the position and of the drive
    # rules that speak of the position or the drive now, each with the reasons that its finding gives
    reported: Mapping[str, Sequence[str]] = field(default_factory=dict)
    since: float | None = None  # when the case began: its first evidence; None where there is none that has a time

    @property
    def now(self) -> float:
        """Ledger time."""
        return self.ledger.now

    @property
    def runs_at_lowest_rate(self) -> bool:
        """Whether its link runs at 2.5 GT/s, below which there is no rate."""
        record = self.ledger.links.at(self.path)
        return record is not None and record.gt_s is not None and record.gt_s <= LOWEST_GT_S

    def trial(self, what: str) -> Trial | None:
        """Give the last trial of a kind of fix that was decided."""
        decided = [trial for trial in self._trials(what) if trial.decided_at is not None]
        return decided[-1] if decided else None

    def was_tried(self, what: str) -> bool:
        """Whether a kind of fix was made for what this case is about, decided or not."""
        first = self.episodes[0].dropped_at if self.episodes else self.now
        return any(trial.began_at >= first for trial in self._trials(what))

    def experiment(self, feature: str) -> bool | None:
        """Give what the last acceptance run showed of this drive in this position; None where it shows nothing."""
        at, serial, features = self.ledger.experiments.get(self.path, (0.0, "", {}))
        is_mine = serial in ("", self.serial) and self.now - at <= LOOK_BACK_SECONDS
        return features.get(feature) if is_mine else None

    def _trials(self, what: str) -> Iterator[Trial]:
        trials = self.ledger.trials.trials
        return (trial for trial in trials if trial.what == what and _concerns(trial, self.path, self.serial))


def _concerns(trial: Trial, path: str, serial: str) -> bool:
    return trial.path == path or bool(serial and trial.serial == serial)


def _latest_run(episodes: Sequence[Episode]) -> list[Episode]:
    """Give the last episode with all that lead up to it without too long a pause."""
    first = len(episodes) - 1
    while first > 0 and _follows(episodes[first - 1], episodes[first], episodes[-1]):
        first -= 1
    return list(episodes[first:])


def _follows(earlier: Episode, later: Episode, last: Episode) -> bool:
    near = later.dropped_at - earlier.dropped_at <= APART_SECONDS
    return near or last.dropped_at - earlier.dropped_at <= LOOK_BACK_SECONDS


def open_case(ledger: Ledger, path: str, serial: str, reported: Mapping[str, Sequence[str]]) -> Case:
    """Gather the case of a position and a drive, whose serial number is empty where it is not known.

    `reported` has the rules that speak of it, with their findings' reasons.
    """
    drive = ledger.drives.records.get(serial) if serial else ledger.drives.at(path)
    known = serial or ("" if drive is None or "/" in drive.serial else drive.serial)
    horizon = ledger.now - LOOK_BACK_SECONDS
    episodes = ledger.episodes.of(path, known or None)
    on_trial = any(trial.complaint == EPISODES and _concerns(trial, path, known) for trial in ledger.trials.open())
    still_counts = bool(episodes) and (on_trial or not _EPISODE_RULES.isdisjoint(reported))
    episodes = (
        _latest_run(episodes) if still_counts else [episode for episode in episodes if episode.dropped_at >= horizon]
    )
    media = tuple(when for when, _ in (find_media_times(drive, ledger.episodes) if drive else ()) if when >= horizon)
    links = {id(record): record for record in (*ledger.links.of_path(path), *ledger.links.of_drive(known))}
    first = [episode.dropped_at for episode in episodes[:1]] + list(media[:1])
    return Case(
        ledger=ledger,
        path=path,
        serial=known,
        drive=drive,
        episodes=tuple(episodes),
        media=media,
        links=tuple(links.values()),
        reported=reported,
        since=min(first, default=None),
    )
