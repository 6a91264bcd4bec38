"""The episodes of one position that still count, and what is said of them.

One disconnect is one episode, however many lines it wrote, and is reported once: resets of a drive that also drops off
the bus are reported with that. Drives that somebody took out in good order are no sign.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from laneproof.evidence.fix_trial import TrialOutcome, clean_time_needed
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Severity, format_time, write_time
from laneproof.past.episodes import REENUMERATED, Episode
from laneproof.past.fix_trials import EPISODES, Trial
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past
from laneproof.rules.rule import Pass, Rule
from laneproof.rules.sign_subjects import (
    DAY,
    Watched,
    is_ours,
    make_sign,
    say_seconds,
    say_times,
    standing_sign,
    watch_position,
)
from laneproof.rules.sign_trials import CURED_IS_REPORTED_SECONDS, describe_trial, trial_evidence

OFF_BUS_NAME = "drops-off-bus"
RESETS_NAME = "controller-resets"
LONE_SECONDS = 14 * DAY
"""So much time before a lone disconnect counts as clean, as far as it was watched. Our choice."""
SHORTEST_SECONDS, LONGEST_SECONDS = 2 * DAY, 30 * DAY
"""The least and the most clean time after which the sign clears. Our choice."""
_LOOK_BACK_SECONDS = 60 * DAY
_SHOWN = 5  # episodes shown one by one in the evidence
_MANY = 3
"""So often within what counts, even the weakest sign is worth an alarm. Our choice."""
_IF_TAKEN_OUT = (
    "If somebody took it out, nothing is wrong: keep that with the box's past ('laneproof note' and a word)."
)
_DRIVE_NAME = re.compile(r"(?:nvme|sd[a-z]|ata)\d*")  # the key of a drive whose position is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeSeries:
    """The episodes of one position that still count.

    Attributes:
        episodes: Oldest first.
        needed_seconds: Clean time after the last one that clears the sign.
        trial: A fix on trial since, None where there is none.
    """

    episodes: tuple[Episode, ...]
    needed_seconds: float
    trial: Trial | None

    @property
    def last(self) -> Episode:
        """The last episode."""
        return self.episodes[-1]


def find_series(ledger: Ledger, path: str, episodes: Sequence[Episode]) -> EpisodeSeries | None:
    """Find the episodes of a position, oldest first, that still count; None once it was clean for long enough (T15)."""
    trial = ledger.trials.latest(path, None, EPISODES)
    # a cure ends what came before it; clean time alone does not, once it happens again
    cured_at = trial.began_at if trial is not None and trial.outcome == TrialOutcome.CURED else 0.0
    last = episodes[-1].dropped_at if episodes else 0.0
    since = max(last - _LOOK_BACK_SECONDS, cured_at if last > cured_at else 0.0)
    run = [episode for episode in episodes if episode.dropped_at >= since]
    if not run:
        return None
    needed = _clean_time(run, ledger.timeline.began_at)
    if run[-1].dropped and run[-1].returned_at is None and not ledger.episodes.is_filled(path):
        needed = LONGEST_SECONDS  # a position that is empty since then is no clean time
    if trial is not None and trial.began_at < run[0].dropped_at:
        trial = None
    if trial is not None and trial.outcome == TrialOutcome.CURED:
        needed = (trial.decided_at or ledger.now) - run[-1].dropped_at + CURED_IS_REPORTED_SECONDS
    elif trial is not None and trial.outcome == TrialOutcome.COUNTING:
        needed = max(needed, ledger.now - run[-1].dropped_at)
    if ledger.now - run[-1].dropped_at > needed:
        return None
    return EpisodeSeries(episodes=tuple(run), needed_seconds=needed, trial=trial)


def _clean_time(run: Sequence[Episode], watched_since: float) -> float:
    first, last = run[0].dropped_at, run[-1].dropped_at
    lead = (last - first) / (len(run) - 1) if len(run) > 1 else LONE_SECONDS
    seconds = last - max(first - lead, min(watched_since, first - DAY))
    needed = clean_time_needed(len(run), max(seconds, 3600.0))
    return LONGEST_SECONDS if isinstance(needed, NotEnough) else min(max(needed, SHORTEST_SECONDS), LONGEST_SECONDS)


def by_position(current: Pass) -> Iterator[tuple[Watched, list[Episode]]]:
    """Give the failures of each position, with the drive that was there."""
    by_path: dict[str, list[Episode]] = {}
    for episode in current.past.ledger.episodes.episodes:
        if episode.is_failure:
            by_path.setdefault(episode.path, []).append(episode)
    for path, episodes in by_path.items():
        last = episodes[-1]
        if not (is_ours(current, path) or last.serial or _DRIVE_NAME.match(path)):
            continue
        record = current.past.ledger.drives.records.get(last.serial)
        here = record if record is not None and record.path == path else None
        yield watch_position(current, path, last.serial, here.name if here is not None else last.device), episodes


def report_series(past: Past, watched: Watched, series: EpisodeSeries, rule: Rule, *, resets: int = 0) -> Finding:
    """Report what happened, how often, and how it stands."""
    ledger = past.ledger
    count, last = len(series.episodes), series.last
    name = rule.name
    return make_sign(
        rule,
        watched,
        severity=_severity(past, watched, series, name),
        summary=_summarize(ledger, watched, series, name, resets=resets),
        observed=_observe(series, name),
        evidence={
            "episodes": count,
            "resets": resets,
            "last_at": format_time(ledger.timeline.to_wall(last.dropped_at)),
            "back": last.returned_at is not None,
            "clean_days_needed": round(series.needed_seconds / DAY, 2),
            "last_episodes": [describe_episode(ledger, episode) for episode in series.episodes[-_SHOWN:]],
            **trial_evidence(ledger, series.trial),
        },
        next_steps=(_IF_TAKEN_OUT, *rule.next_steps) if _only_left(series) else None,
    )


def _only_left(series: EpisodeSeries) -> bool:
    return all(episode.only_left for episode in series.episodes)


def _severity(past: Past, watched: Watched, series: EpisodeSeries, rule: str) -> Severity:
    if series.trial is not None and series.trial.outcome == TrialOutcome.CURED:
        return Severity.NOTICE
    if all(set(episode.kinds) == {REENUMERATED} for episode in series.episodes):
        return Severity.NOTICE  # nobody saw it go: a counter that began again is all there is
    if _only_left(series):
        return Severity.WARNING if len(series.episodes) >= _MANY else Severity.NOTICE
    if all(episode.only_aborted for episode in series.episodes) and len(series.episodes) < _MANY:
        return Severity.NOTICE
    before = standing_sign(past, watched.identify(rule))
    was_critical = before is not None and before.severity is Severity.CRITICAL
    if rule == OFF_BUS_NAME and (len(series.episodes) > 1 or was_critical):
        return Severity.CRITICAL
    return Severity.WARNING


def _observe(series: EpisodeSeries, rule: str) -> str:
    many = len(series.episodes) > 1
    if _only_left(series):
        return "left the bus, and whether it was taken out is not known"
    if rule == OFF_BUS_NAME:
        said = "drops off the bus again and again" if many else "dropped off the bus"
    elif all(episode.only_aborted for episode in series.episodes):
        said = "its commands time out again and again" if many else "its commands timed out"
    else:
        said = "its controller is reset again and again" if many else "its controller was reset"
    if series.trial is None or series.trial.outcome in (TrialOutcome.NOT_CURED, TrialOutcome.BETTER):
        return said
    return f"{said}; cured" if series.trial.outcome == TrialOutcome.CURED else f"{said}; a fix is on trial"


def _summarize(ledger: Ledger, watched: Watched, series: EpisodeSeries, rule: str, *, resets: int) -> str:
    count, last, only_left = len(series.episodes), series.last, _only_left(series)
    when = write_time(ledger.timeline.to_wall(last.dropped_at))
    what = (
        "left the bus" if only_left else "dropped off the bus" if rule == OFF_BUS_NAME else "had its controller reset"
    )
    if rule != OFF_BUS_NAME and all(episode.only_aborted for episode in series.episodes):
        what = "let commands time out"
    if count > 1:
        span = say_seconds(last.dropped_at - series.episodes[0].dropped_at)
        said = f"{watched.full_name} {what} {say_times(count)} in {span}, last at {when}"
    else:
        said = f"{watched.full_name} {what} at {when}"
    if resets:
        said += f", and its controller was reset {say_times(resets)} besides"
    back = "it came back" if last.returned_at is not None else "it is not back"
    if last.returned_at is not None and last.returned_boot not in (None, last.boot):
        back = "it came back only when the machine was started again"
    said += f"; {back}" if rule == OFF_BUS_NAME else ""
    if only_left:
        said += "; whether somebody took it out is not known, since the kernel's log was not read"
    said += _say_what_answered(last)
    if last.together:
        said += f"; at the same moment as {len(last.together)} other{'s' if len(last.together) > 1 else ''}"
    return f"{said}; {describe_trial(ledger, series.trial)}" if series.trial is not None else said


def _say_what_answered(episode: Episode) -> str:
    """Say what the kernel read of a controller that it found down, where the two readings differ.

    Source: Linux drivers/nvme/host/pci.c, nvme_warn_reset: CSTS is a register, PCI_STATUS lies in config space.
    """
    if episode.answered is False and episode.gone is False:
        return "; its registers did not answer, its config space did"
    return ""


def describe_episode(ledger: Ledger, episode: Episode) -> dict[str, Any]:
    """Describe one episode with the circumstances before it, as JSON values."""
    before = episode.before
    described = {
        "episode": episode.number,
        "at": format_time(ledger.timeline.to_wall(episode.dropped_at)),
        "uncertain_seconds": round(episode.uncertain_seconds),
        "kinds": list(episode.kinds),
        "lines": episode.lines,
        "left_the_bus": episode.gone,
        "registers_answered": episode.answered,
        "together_with": list(episode.together),
        "lost_power": episode.power_lost,
        "load_before": before.load,
        "bytes_per_second_before": before.load_bytes_per_second,
        "celsius_before": before.celsius,
        "warning_celsius": before.warning_celsius,
        "idle_states_on": before.idle_states,
        "link_before": before.trained,
        "link_errors_in_the_day_before": before.recent_errors,
    }
    if episode.returned_at is not None:
        described["away_seconds"] = round(episode.returned_at - episode.dropped_at)
    return {name: value for name, value in described.items() if value not in (None, [])}
