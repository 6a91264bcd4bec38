"""Causes for findings: one case a position, decided causes stay, and what turned out is learned."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_cases import PATH, dropping
from boxes.simulated_past import DAY, PATHS, Story
from boxes.snapshot_box import Box
from laneproof.advice import OPEN_CASE, advise
from laneproof.diagnosis.finding_causes import explain
from laneproof.diagnosis.next_steps import REMEDIES
from laneproof.findings import Cause, Finding, Kind, Severity


def finding(rule: str, *, kind: Kind = Kind.SIGN, causes: tuple[Cause, ...] = (), **evidence: Any) -> Finding:
    return Finding(
        rule=rule, kind=kind, severity=Severity.WARNING, position="a", subject="nvme0", summary="it is so",
        evidence={"path": PATH, "serial": "FN0000", **evidence}, causes=causes, next_steps=("look",),
    )  # fmt: skip


@pytest.fixture
def story() -> Story:
    return dropping([24.0] * 3)


def test_all_findings_of_a_position_have_the_same_causes(story: Story) -> None:
    reported = [finding("drops-off-bus"), finding("position-empty", kind=Kind.DIFFERS), finding("signal-errors")]
    elsewhere = finding("position-empty", kind=Kind.DIFFERS, path=PATHS[1])
    *explained, untouched = explain([*reported, elsewhere], story.ledger)
    assert untouched == elsewhere
    assert [finding.rule for finding in explained] == [finding.rule for finding in reported]
    assert explained[0].causes
    assert explained[0].causes == explained[1].causes == explained[2].causes
    assert explained[0].next_steps == explained[1].next_steps
    assert explained[0].evidence["features"]


@pytest.mark.parametrize(("idle_states", "check"), [(None, "Switch idle states off"), (False, "Set this link one")])
def test_undetermined_stands_first_and_its_check_comes_before_the_case_is_opened(
    idle_states: bool | None,
    check: str,
) -> None:
    story = dropping([24.0] * 3)
    story.ledger.idle[PATH] = (idle_states, idle_states)
    for episode in story.ledger.episodes.episodes:
        episode.before = replace(episode.before, idle_states=idle_states)
    steps = ("Look.", f"Reseat it. {OPEN_CASE}", "If that is no cure, change it.")
    doubtful = replace(finding("drops-off-bus"), next_steps=steps)
    (explained,) = explain([doubtful], story.ledger)
    first = explained.causes[0]
    assert first.cause == "undetermined"
    assert "what would show most" in " ".join(first.because)
    assert explained.next_steps[0] == "Look."
    assert explained.next_steps[1].startswith(check)
    assert explained.next_steps[2:] == steps[1:]


def test_the_steps_of_a_named_cause_take_the_place_of_the_rules_own() -> None:
    story = Story()
    for day in range(20):
        box = Box().with_port(PATH).with_drive(PATH, health={"media_errors": day * day})
        story.observe(box, after=DAY)
    (explained,) = explain([finding("media-errors-rising", serial="")], story.ledger)
    assert explained.causes[0].cause == "drive-failing"
    assert explained.next_steps == advise(*REMEDIES["drive-failing"])


def test_what_only_differs_opens_no_case(story: Story) -> None:
    reported = [
        finding("position-empty", kind=Kind.DIFFERS),
        finding("link-slow", kind=Kind.DIFFERS, reasons=["target-speed"]),
    ]
    assert explain(reported, story.ledger) == reported


def test_training_that_fell_short_does(story: Story) -> None:
    (explained,) = explain([finding("link-slow", kind=Kind.DIFFERS, reasons=["training"])], story.ledger)
    assert explained.causes


def test_a_cause_that_is_decided_holds_for_its_position(story: Story) -> None:
    decided = (Cause(cause="firmware-setting", probability=1.0, because=("the target rate fell",)),)
    reported = [finding("link-slow", kind=Kind.DIFFERS, causes=decided), finding("link-degraded-on-some-boots")]
    assert all(explained.causes == decided for explained in explain(reported, story.ledger))


def test_what_could_not_be_read_has_no_cause(story: Story) -> None:
    reported = [finding("drops-off-bus", kind=Kind.UNVERIFIED), finding("endurance-ending")]
    assert explain(reported, story.ledger) == reported
