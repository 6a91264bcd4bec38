"""The figures of acceptance runs are taken from stories that have a truth, and count what they say they count."""

from typing import Any

import pytest

from laneproof.diagnosis.weights import CauseName
from simulation.evidence_page import put_parts
from simulation.proofs import HEALTHY, KINDS, UNJUDGEABLE, ProofScore, main, try_run, write_proofs


@pytest.mark.parametrize("kind", KINDS)
def test_a_story_is_told_the_same_twice(kind: str) -> None:
    score = try_run(kind, 0)
    assert score == try_run(kind, 0)
    assert not score.wrongly


@pytest.mark.parametrize("kind", [HEALTHY, *UNJUDGEABLE])
def test_what_has_no_fault_never_differs_and_what_cannot_be_judged_never_holds(kind: str) -> None:
    score = try_run(kind, 1)
    assert score.verdict == ("holds" if kind == HEALTHY else "unverified")
    assert score.links_hold is (kind == HEALTHY)


def test_shares_are_of_those_named_and_wrong_ones_are_listed() -> None:
    known: dict[str, Any] = {"verdict": "differs", "found": True, "wrongly": 0, "links_hold": False, "seconds": 1800.0}
    scores = [
        ProofScore(kind="heat", named=(cause,), **known)
        for cause in ("heat", "heat", CauseName.UNDETERMINED, "drive-failing")
    ]
    page = write_proofs(scores, command="x")
    assert "| heat | 4 | 4/4 = 100 %" in page
    assert "| 2/3 = 67 %" in page
    assert "| 1/4 = 25 %" in page
    assert "- `heat` 1: named drive-failing" in page


def test_each_part_of_the_page_is_put_in_its_own_place() -> None:
    page = put_parts("", "# Figures\n\nold\n")
    assert page == "# Figures\n\nold\n"
    page = put_parts(page, "## Acceptance runs\n\nfirst\n")
    page = put_parts(page, "## Strange boxes\n\nodd\n")
    page = put_parts(page, "# Figures\n\nnew\n")
    assert page == "# Figures\n\nnew\n\n## Strange boxes\n\nodd\n\n## Acceptance runs\n\nfirst\n"


def test_the_command_prints_its_part(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--each", "1", "--kinds", "signal-path"]) == 0
    assert "| signal-path | 1 | 1/1" in capsys.readouterr().out
