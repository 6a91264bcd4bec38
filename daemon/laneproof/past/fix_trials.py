"""Fixes on trial: what was changed after trouble, how long it must stay clean, and how it stands."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from laneproof.box.link_rates import generation_at
from laneproof.evidence.fix_trial import TrialOutcome, judge_trial
from laneproof.evidence.not_enough import NotEnough
from laneproof.past.changes import NotedChange
from laneproof.past.episodes import Episode
from laneproof.past.link_errors import LinkRecord

DAY = 86400.0
_LOOK_BACK_SECONDS = 60 * DAY
_LONE_SECONDS = 14 * DAY  # of clean time before a single event, as far as it was watched
_ERROR_SECONDS = 7 * DAY
_FEWEST_MARKED = 10  # minutes with errors in a week that are worth a trial
_MUCH_BETTER = 0.2
_MOST_TRIALS = 60

_BY_THE_OWNER = ("parts", "cooling")  # what nobody changes but to cure something
_SEEN_ON_THE_DRIVE = ("idle-states", "link-cap", "drive-firmware")
_RETURN_SECONDS = 600.0
"""How soon after a drive is back what changed with it is seen. Our choice."""

EPISODES, ERRORS = "drops", "errors"


@dataclass(slots=True, kw_only=True)
class Trial:
    """One fix on trial."""

    path: str
    serial: str
    what: str  # idle-states, link-cap, parts, drive-firmware, cooling
    words: str
    began_at: float  # when the change was seen, ledger time
    complaint: str  # drops (episodes) or errors: what is to be cured
    events_before: int  # episodes, or minutes with errors, before
    seconds_before: float  # time in which they came
    events_after: int = 0  # the same since the change
    outcome: str = TrialOutcome.COUNTING  # counting, cured, better or not-cured
    needed_seconds: float = 0.0  # clean time needed
    decided_at: float | None = None  # when it was decided; None while it is not

    def remaining_seconds(self, now: float) -> float:
        """Give the clean time still to come."""
        return max(0.0, self.needed_seconds - (now - self.began_at))


@dataclass(slots=True, kw_only=True)
class TrialBook:
    """All trials, oldest first."""

    trials: list[Trial] = field(default_factory=list)

    def begin(
        self,
        change: NotedChange,
        episodes: Sequence[Episode],
        links: Iterable[LinkRecord],
        *,
        now: float,
        watched_since: float,
    ) -> Trial | None:
        """Begin a trial where a change may be meant to cure something; None where it is none, or nothing was to cure.

        The episodes are those of the position and of the drive in it, the links all that the position had.
        """
        if change.path is None or not is_cure(change) or _came_by_itself(change, episodes, now):
            return None
        fewest = 1 if change.what in _BY_THE_OWNER else _FEWEST_MARKED
        begun = _weigh_episodes(episodes, now, watched_since) or _weigh_errors(links, now, fewest)
        if begun is None:
            return None
        complaint, events, seconds = begun
        trial = Trial(
            path=change.path,
            serial=change.serial or "",
            what=change.what,
            words=change.describe(),
            began_at=now,
            complaint=complaint,
            events_before=events,
            seconds_before=seconds,
        )
        self.trials.append(trial)
        del self.trials[:-_MOST_TRIALS]
        return trial

    def review(self, trial: Trial, *, events: int, now: float) -> None:
        """Bring one trial up to date with the episodes, or minutes with errors, since the change."""
        trial.events_after = events
        judged = judge_trial(trial.events_before, trial.seconds_before, events, now - trial.began_at)
        if isinstance(judged, NotEnough):
            return
        trial.needed_seconds = judged.needed_seconds
        outcome = judged.outcome
        if trial.complaint == ERRORS:  # a sound link makes some errors too, so it never is quite clean
            outcome = _judge_errors(trial, now, is_rarer=judged.outcome in (TrialOutcome.BETTER, TrialOutcome.CURED))
        trial.outcome = outcome
        if outcome in (TrialOutcome.CURED, TrialOutcome.NOT_CURED):
            trial.decided_at = now

    def open(self) -> list[Trial]:
        """Give those that are not decided."""
        return [trial for trial in self.trials if trial.decided_at is None]

    def latest(self, path: str | None, serial: str | None, complaint: str | None = None) -> Trial | None:
        """Give the last trial of a position or a drive."""
        for trial in reversed(self.trials):
            mine = (path is not None and trial.path == path) or (serial and trial.serial == serial)
            if mine and complaint in (None, trial.complaint):
                return trial
        return None


def is_cure(change: NotedChange) -> bool:
    """Whether a change may be meant to cure: idle states off, a lower limit, other parts, other firmware, more air."""
    match change.what:
        case "idle-states":
            return change.after == "off"
        case "link-cap":
            return _number_of(change.after) < _number_of(change.before)
        case "parts" | "drive-firmware" | "cooling":
            return True
    return False


def _came_by_itself(change: NotedChange, episodes: Iterable[Episode], now: float) -> bool:
    """Whether a setting is another since an episode that the drive came back from by itself: nobody did anything.

    A controller that failed may come back with a firmware of its own for such times, without its idle states, or at a
    rate that the kernel holds it down to.
    """
    return change.what in _SEEN_ON_THE_DRIVE and any(
        episode.is_failure
        and episode.returned_at is not None
        and episode.returned_boot == episode.boot
        and 0.0 <= now - episode.returned_at <= _RETURN_SECONDS
        for episode in episodes
    )


def _number_of(words: str) -> float:
    digits = "".join(word for word in words if word.isdigit() or word == ".")
    number = float(digits) if digits else 0.0
    return float(generation_at(number) or number) if "GT/s" in words else number


def _weigh_episodes(episodes: Sequence[Episode], now: float, watched_since: float) -> tuple[str, int, float] | None:
    recent = [episode.dropped_at for episode in episodes if episode.dropped_at >= now - _LOOK_BACK_SECONDS]
    if not recent:
        return None
    lead = (recent[-1] - recent[0]) / (len(recent) - 1) if len(recent) > 1 else _LONE_SECONDS
    since = max(recent[0] - lead, watched_since)
    return EPISODES, len(recent), max(now - since, DAY / 24.0)


def _weigh_errors(links: Iterable[LinkRecord], now: float, fewest: int) -> tuple[str, int, float] | None:
    worst = None
    for record in links:
        week = record.series.since(now - _ERROR_SECONDS)
        if week.marked >= fewest and (worst is None or week.marked > worst[1]):
            worst = ERRORS, week.marked, week.seconds
    return worst


def _judge_errors(trial: Trial, now: float, *, is_rarer: bool) -> TrialOutcome:
    watched = now - trial.began_at
    if watched < trial.needed_seconds:
        return TrialOutcome.COUNTING
    before = trial.events_before / trial.seconds_before
    if is_rarer and trial.events_after / watched <= _MUCH_BETTER * before:
        return TrialOutcome.CURED
    return TrialOutcome.NOT_CURED if watched >= 3 * trial.needed_seconds else TrialOutcome.COUNTING
