"""The features of one case: what was seen, what was looked for and is absent, and what is unknown.

A feature is *absent* only where it was looked for and would have shown; what was not recorded is unknown, adds nothing,
and is never taken for absent. Each feature is one small function of the case.
"""

from collections.abc import Callable, Mapping

from laneproof.diagnosis import drive_features, link_features, load_features, shared_features, time_features
from laneproof.diagnosis.case import Case
from laneproof.diagnosis.three_valued import Known
from laneproof.diagnosis.weights import EXPERIMENT
from laneproof.evidence.fix_trial import TrialOutcome


def find_features(case: Case) -> dict[str, Known]:
    """Find the features of a case: True for seen, False for looked for and absent, None for unknown."""
    found = {name: ask(case) for name, ask in QUESTIONS.items()}
    if case.episodes and case.episodes[-1].dropped_at < case.ledger.timeline.began_at:
        # the watch began later: all that is known of these episodes is from the log, so nothing was looked for then
        found |= {name: None for name in _LOOKED_FOR if found[name] is False}
    if link_features.errs_with_other_links(case):
        # two bad paths at once are rarer than one thing that both links share
        found |= {name: None for name in _SIGNS_OF_DAMAGE if found[name]}
    if found["idle_states_on"] and link_features.saw_repeats_alone(case):
        # a link that is slow to leave a low-power state repeats packets by the thousand, for weeks without an episode
        found |= {name: None for name in _SIGNS_OF_DAMAGE if found[name]}
        found["drops_or_resets"] = found["drops_or_resets"] or None
    return found


def _cured(what: str) -> Callable[[Case], Known]:
    def ask(case: Case) -> Known:
        trial = case.trial(what)
        return None if trial is None else trial.outcome == TrialOutcome.CURED

    return ask


def _shown_by_run(feature: str) -> Callable[[Case], Known]:
    return lambda case: case.experiment(feature)


_SIGNS_OF_DAMAGE = ("aer_above_siblings", "errors_between_drops")
"""What a damaged signal shows, and a link that is only slow to wake, or shares a bad supply, shows too."""

_LOOKED_FOR = (
    "aer_above_siblings",
    "errors_between_drops",
    "warning_minutes_rising",
    "slow_against_siblings",
    "media_errors_rising",
    "spare_falling",
)


QUESTIONS: Mapping[str, Callable[[Case], Known]] = {
    "aer_above_siblings": link_features.aer_above_siblings,
    "link_below_expected": link_features.link_below_expected,
    "errors_between_drops": link_features.errors_between_drops,
    "only_replays": link_features.only_replays,
    "speed_cap_cured": _cured("link-cap"),
    "drops_after_idle_exit": load_features.drops_after_idle_exit,
    "pm_off_cured": _cured("idle-states"),
    "idle_states_on": load_features.idle_states_on,
    "drops_under_load": load_features.drops_under_load,
    "hot_before_drop": load_features.hot_before_drop,
    "warning_minutes_rising": load_features.warning_minutes_rising,
    "slow_against_siblings": load_features.slow_against_siblings,
    "media_errors_rising": drive_features.media_errors_rising,
    "media_errors_often": drive_features.media_errors_often,
    "spare_falling": drive_features.spare_falling,
    "still_on_the_bus": drive_features.still_on_the_bus,
    "follows_slot_on_swap": shared_features.follows_slot_on_swap,
    "several_drives_together": shared_features.several_drives_together,
    "same_model_affected": shared_features.same_model_affected,
    "power_lost_at_drive": drive_features.power_lost_at_drive,
    "began_after_update": time_features.began_after_update,
    "began_after_drive_firmware": time_features.began_after_drive_firmware,
    "regular_period": time_features.regular_period,
    "period_of_its_own": time_features.period_of_its_own,
    "power_cycle_needed": drive_features.power_cycle_needed,
    "drops_or_resets": drive_features.drops_or_resets,
    **{feature: _shown_by_run(feature) for feature in EXPERIMENT},
}
"""By feature, the question that finds it."""
