"""A case is a position and the drive in it: the position's history with any drive, and the drive's in any position."""

import pytest

from boxes.simulated_cases import DOWN, lone, pair
from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box
from laneproof.diagnosis.case import APART_SECONDS, LOOK_BACK_SECONDS, open_case
from laneproof.past.notes import ProofNote
from laneproof_collectors.snapshot import AutonomousTransitions


def test_what_happened_here_and_what_happened_to_this_drive_both_belong_to_it() -> None:
    story = Story().observe(pair()).observe(pair(), after=HOUR, log=(DOWN,))
    story.restart().observe(pair("FN2", "FN1"), after=HOUR)
    position = open_case(story.ledger, PATHS[0], "FN2", {})
    drive = open_case(story.ledger, PATHS[1], "FN1", {})
    assert [episode.serial for episode in position.episodes] == ["FN1"]
    assert [episode.path for episode in drive.episodes] == [PATHS[0]]
    assert open_case(story.ledger, PATHS[1], "FN2", {}).episodes == ()


def test_a_case_without_a_serial_number_takes_that_of_the_drive_in_the_position() -> None:
    story = Story().observe(lone())
    assert open_case(story.ledger, PATHS[0], "", {}).serial == "FN1"


def test_it_began_with_its_first_evidence() -> None:
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    case = open_case(story.ledger, PATHS[0], "FN1", {})
    assert case.since == case.episodes[0].dropped_at
    assert open_case(story.ledger, PATHS[1], "", {}).since is None


def test_what_is_long_past_is_another_case() -> None:
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    story.observe(lone(), after=LOOK_BACK_SECONDS + DAY)
    assert open_case(story.ledger, PATHS[0], "FN1", {}).episodes == ()


@pytest.mark.parametrize(("generation", "lowest"), [(1, True), (2, False), (None, False)])
def test_only_a_link_at_generation_1_has_no_lower_rate(generation: int | None, lowest: bool) -> None:
    made = Box() if generation is None else Box().with_port(PATHS[0], gen=generation)
    story = Story().observe(made if generation is None else made.with_drive(PATHS[0], serial="FN1", gen=generation))
    assert open_case(story.ledger, PATHS[0], "", {}).runs_at_lowest_rate is lowest


def test_what_a_run_showed_counts_for_ninety_days() -> None:
    story = Story().observe(lone())
    story.ledger.add_proof(ProofNote(at=story.now, features={PATHS[0]: ("FN1", {"slow_alone": True})}))
    story.observe(lone(), after=LOOK_BACK_SECONDS)
    assert open_case(story.ledger, PATHS[0], "FN1", {}).experiment("slow_alone") is True
    story.observe(lone(), after=HOUR)
    assert open_case(story.ledger, PATHS[0], "FN1", {}).experiment("slow_alone") is None


def test_drops_that_are_still_complained_of_are_kept_however_long_ago_they_were() -> None:
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    for _ in range(5):
        story.observe(lone(), after=40 * DAY, log=(DOWN,))
    story.observe(lone(), after=LOOK_BACK_SECONDS + DAY)
    reported = open_case(story.ledger, PATHS[0], "FN1", {"drops-off-bus": ()})
    assert len(reported.episodes) == 6  # each within sixty days of the one before
    assert reported.since == reported.episodes[0].dropped_at
    assert open_case(story.ledger, PATHS[0], "FN1", {"signal-errors": ()}).episodes == ()


def test_a_long_pause_parts_two_cases_unless_it_lies_within_the_look_back() -> None:
    story = Story().observe(lone()).observe(lone(), after=HOUR, log=(DOWN,))
    for pause in (APART_SECONDS + 40 * DAY, APART_SECONDS + DAY, DAY):
        story.observe(lone(), after=pause, log=(DOWN,))
    reported = open_case(story.ledger, PATHS[0], "FN1", {"drops-off-bus": ()})
    assert len(reported.episodes) == 3


def test_drops_are_kept_as_long_as_what_was_done_about_them_is_on_trial() -> None:
    def resting(*, on: bool) -> Box:
        states = AutonomousTransitions(enabled=on, transitions={0: (3, 500)})
        return (
            Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="FN1", controller={"autonomous_transitions": states})
        )

    story = Story().observe(resting(on=True))
    for _ in range(2):
        story.observe(resting(on=True), after=30 * DAY, log=(DOWN,))
    story.restart().observe(resting(on=False), after=HOUR)
    story.observe(resting(on=False), after=LOOK_BACK_SECONDS + DAY)
    (trial,) = story.ledger.trials.trials
    assert trial.decided_at is None
    case = open_case(story.ledger, PATHS[0], "FN1", {})
    assert len(case.episodes) == 2
    assert case.was_tried("idle-states")
    assert not case.was_tried("link-cap")
