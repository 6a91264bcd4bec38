"""What a sign says of the fix that is meant to cure it."""

from typing import Any

import pytest

from boxes.simulated_past import DAY, Story, counting_box
from laneproof.evidence.fix_trial import TrialOutcome
from laneproof.past.fix_trials import EPISODES, Trial
from laneproof.rules.sign_trials import describe_trial, trial_evidence


def trial(**facts: Any) -> Trial:
    known: dict[str, object] = {
        "path": "0000:00/01.1", "serial": "FN1", "what": "idle-states", "words": "idle states changed from on to off",
        "began_at": 0.0, "complaint": EPISODES, "events_before": 4, "seconds_before": 10 * DAY,
        "needed_seconds": 9.46 * DAY,
    }  # fmt: skip
    return Trial(**known | facts)  # type: ignore[arg-type] # any fact of it


@pytest.fixture
def story() -> Story:
    made = Story().observe(counting_box((0, 0, 0, 0)))
    made.ledger.timeline.now = 3 * DAY
    return made


def test_a_trial_is_counted_down(story: Story) -> None:
    known = trial_evidence(story.ledger, trial())["trial"]
    assert known["needed_days"] == 9.46
    assert known["remaining_days"] == 6.46
    assert known["events_before"] == 4
    assert describe_trial(story.ledger, trial()).endswith("it must stay clean for 6 days more")


def test_its_end_is_reported_either_way(story: Story) -> None:
    assert "counts as cured" in describe_trial(story.ledger, trial(outcome=TrialOutcome.CURED))
    failed = trial(outcome=TrialOutcome.NOT_CURED, events_after=2)
    assert "2 times since, so that was not the cure" in describe_trial(story.ledger, failed)


def test_without_a_trial_nothing_is_said(story: Story) -> None:
    assert trial_evidence(story.ledger, None) == {}
