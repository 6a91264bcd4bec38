"""A run as text: the plan, the seconds, and a table in 80 columns."""

from boxes.proven_box import RISER_3, position, run_box, sound_run, targets
from laneproof.outputs.prove_text import write_line, write_now, write_proof
from laneproof.outputs.text_style import Style
from laneproof.proof.judgement import judge
from laneproof.proof.plan import make_plan
from laneproof.proof.run_record import StageName, WakeRun
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.simulated_machine import Fault
from laneproof.proof.watched_pass import WatchedDrive, WatchedPass


def test_the_table_has_a_row_for_each_position_and_each_shared_link() -> None:
    text = write_proof(sound_run(), judge(sound_run()), Style(width=80))
    assert text.startswith("kelp-1: HOLDS - 7 hold of 7 positions\n")
    rows = text.splitlines()[2:11]
    assert rows[0].split() == ["position", "link", "carried", "errors", "a", "bit", "rate", "hot", "wake", "verdict"]
    assert rows[1].split()[:4] == ["riser-1", "4", "x4", "7e13"]
    assert rows[8].startswith("deck  ")
    assert all(row.endswith("holds") for row in rows[1:])


def test_what_differs_is_reported_with_what_stands_between_its_cause_and_its_next_steps() -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)})
    text = write_proof(run, judge(run), Style(width=80))
    for words in (
        "flexible-cable green tape",
        "likely cause: the signal path",
        "5. After each change prove",
        "Before you touch",
    ):
        assert words in text


def test_what_could_not_be_shown_is_said_without_what_holds() -> None:
    sound = sound_run()
    drives = tuple(
        each if each.name != RISER_3 else each.model_copy(update={"hottest_celsius": None}) for each in sound.drives
    )
    run = sound.model_copy(update={"drives": drives})
    text = write_proof(run, judge(run), Style(width=200))
    assert "  riser-3: its health was not read" in text
    link = position(sound, RISER_3).link
    assert link is not None
    assert link.because[0] not in text


def test_a_second_shows_every_drive() -> None:
    plan = make_plan(targets())
    totals = RunTotals(targets(), plan)
    step = plan.steps[1]
    totals.add(WatchedPass(at=0.0, drives={"riser-1": WatchedDrive(read_bytes=0, celsius=41.0)}))
    totals.begin(step.stage, step.drives)
    totals.add(WatchedPass(at=1.0, drives={"riser-1": WatchedDrive(read_bytes=10**9, celsius=42.0)}))
    lines = write_now(totals, step, 66.0, Style(width=80))
    assert lines[0] == "alone  66 s left"
    assert lines[1].split() == ["riser-1", "1", "GB/s", "42", "°C", "0", "errors", "loaded"]
    assert lines[2].endswith("at rest")
    assert write_line(totals, step, 66.0) == "alone: 66 s left; riser-1 1 GB/s; no error"
    wake = next(step for step in totals.plan.steps if step.stage is StageName.WAKE)
    totals.begin(wake.stage, wake.drives)
    said = "now and then a read of each drive that rests"
    assert write_line(totals, wake, 9.0) == f"wake: 9 s left; {said}; no error"


def test_whether_a_drive_slept_is_said_where_no_read_can_show_it() -> None:
    wake = WakeRun(idle_seconds=0.5, reads=30, median_us=95.0, longest_us=130.0)
    run = sound_run()
    drives = tuple(each.model_copy(update={"wake": wake}) if each.name != RISER_3 else each for each in run.drives)
    run = run.model_copy(update={"drives": drives})
    said = " ".join(write_proof(run, judge(run), Style(width=80)).split())
    assert "Whether they slept in 'wake' cannot be known riser-1, riser-2, riser-4, deck-1" in said
    assert "Whether they slept" not in write_proof(sound_run(), judge(sound_run()), Style(width=80))
