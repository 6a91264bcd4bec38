"""What is said of a fix on trial, in the evidence of the sign that it is meant to cure."""

from typing import Any

from laneproof.evidence.fix_trial import TrialOutcome
from laneproof.findings import format_time
from laneproof.past.fix_trials import Trial
from laneproof.past.ledger import Ledger
from laneproof.rules.sign_subjects import DAY, say_seconds, say_times

CURED_IS_REPORTED_SECONDS = DAY
"""How long a cure is reported before its sign clears."""


def trial_evidence(ledger: Ledger, trial: Trial | None) -> dict[str, Any]:
    """Describe a trial for the evidence; nothing where there is none."""
    if trial is None:
        return {}
    return {
        "trial": {
            "change": trial.words,
            "began_at": format_time(ledger.timeline.to_wall(trial.began_at)),
            "outcome": str(trial.outcome),
            "events_before": trial.events_before,
            "days_before": round(trial.seconds_before / DAY, 2),
            "events_since": trial.events_after,
            "needed_days": round(trial.needed_seconds / DAY, 2),
            "remaining_days": round(trial.remaining_seconds(ledger.now) / DAY, 2),
        }
    }


def describe_trial(ledger: Ledger, trial: Trial) -> str:
    """Say in a clause how a trial stands."""
    match trial.outcome:
        case TrialOutcome.CURED:
            return f"{trial.words}: clean for {say_seconds(ledger.now - trial.began_at)} since, which counts as cured"
        case TrialOutcome.NOT_CURED | TrialOutcome.BETTER:
            return f"{trial.words}: it happened {say_times(trial.events_after)} since, so that was not the cure"
    remaining = say_seconds(trial.remaining_seconds(ledger.now))
    return f"on trial since {trial.words}; it must stay clean for {remaining} more"
