"""bifurcation-not-active: to the letter of its definition."""

from collections.abc import Iterable

import pytest

from boxes.link_box import past
from boxes.snapshot_box import Box, declare
from boxes.story_engine import HOUR, Watcher
from laneproof.findings import Finding, Severity
from laneproof.past.past import NO_PAST, Past
from laneproof.rules import judge_all
from laneproof.rules.occupancy.bifurcation_not_active import BIFURCATION_NOT_ACTIVE
from laneproof.rules.rule import Pass
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

KINDS = ("nvme", "nvme", "nvme", "nvme")


def build(split: str = "[4, 4, 4, 4]", kinds: Iterable[str] = KINDS) -> str:
    text = f'[slot.riser]\npath = "0000:00"\nlanes = 16\nsplit = {split}\n'
    for number, kind in enumerate(kinds, start=1):
        text += (
            f'[[position]]\nlabel = "riser-{number}"\nslot = "riser"\nbranch = {number}\n'
            f'path = "0000:00/01.{number}"\noccupant = {{ kind = "{kind}" }}\n'
        )
    return text


def box(*ports: tuple[int, int] | tuple[int, int, bool]) -> Box:
    made = Box()
    for number, lanes, *drive in ports:
        path = f"0000:00/01.{number}"
        made.with_port(path, lanes=lanes)
        if drive != [False]:
            made.with_drive(path)
    return made


def judge(text: str, made: Box, past: Past = NO_PAST) -> list[Finding]:
    return judge_box(BIFURCATION_NOT_ACTIVE, text, made, past)


@pytest.mark.parametrize(
    ("made", "speaks"),
    [
        pytest.param(box((1, 4), (2, 4), (3, 4), (4, 4)), False, id="split as declared"),
        pytest.param(box((1, 16)), True, id="one port with all lanes"),
        pytest.param(box((1, 4)), True, id="no bridge for any other branch"),
        pytest.param(box((1, 8), (3, 8)), True, id="split in two instead of four"),
        pytest.param(box((1, 16), (2, 4, False), (3, 4, False), (4, 4, False)), True, id="the first holds too many"),
        pytest.param(box((1, 4), (2, 4, False), (3, 4, False), (4, 4, False)), False, id="silent bridges"),
        pytest.param(box((1, 4), (2, 4), (3, 4)), False, id="one bridge hidden by the firmware"),
        pytest.param(box(), False, id="the whole slot is not there"),
    ],
)
def test_when_a_split_is_not_active(made: Box, speaks: bool) -> None:
    assert bool(judge(build(), made)) == speaks


def test_branches_meant_empty_may_have_no_bridge() -> None:
    assert judge(build(kinds=("nvme", "none", "none", "none")), box((1, 4))) == []


def test_more_trained_lanes_than_the_share_count_too() -> None:
    made = Box().with_port("0000:00/01.1", lanes=4, trained=(4, 8)).with_drive("0000:00/01.1", lanes=8)
    made.with_port("0000:00/01.2").with_drive("0000:00/01.2")
    (finding,) = judge(build("[4, 4]", KINDS[:2]), made)
    assert (finding.evidence["first_branch_lanes"], finding.severity) == (8, Severity.WARNING)


def test_finding_names_slot_and_both_values() -> None:
    (finding,) = judge(build(), box((1, 16)))
    assert finding.identity == ("bifurcation-not-active", "slot riser")
    assert (finding.position, finding.severity) == (None, Severity.CRITICAL)
    assert finding.declared == "x4+x4+x4+x4"
    assert "no bridge exists for riser-2, riser-3, riser-4" in str(finding.observed)
    assert "riser-1 holds x16 of its x4" in str(finding.observed)


def test_silent_branches_are_reported_as_empty_positions_only() -> None:
    made = box((1, 4), (2, 4, False), (3, 4), (4, 4))
    (finding,) = judge_all(Pass.of(declare(build()), made.snapshot()))
    assert (finding.rule, finding.position) == ("position-empty", "riser-2")


def test_slot_that_is_not_declared_split_is_not_judged() -> None:
    assert judge(build("[16]", ("nvme",)), box((1, 16))) == []


def test_split_lost_since_another_bios_is_a_firmware_setting() -> None:
    (finding,) = judge(build(), box((1, 16)), past())
    assert [cause.cause for cause in finding.causes] == ["firmware-setting"]
    assert "BIOS 1.30" in " ".join(finding.causes[0].because)


def start(*starts: tuple[str, Box]) -> Watcher:
    """Start the machine with each BIOS and box in turn, and observe it twice."""
    watcher = Watcher("bifurcation-not-active", declare(build()))
    for bios, made in starts:
        watcher.restart()
        watcher.observe(made.with_firmware(bios_version=bios, bios_date=None), after=HOUR, times=2)
    return watcher


SPLIT, NOT_SPLIT = box((1, 4), (2, 4), (3, 4), (4, 4)), box((1, 4))


def test_branches_that_are_gone_since_another_bios_are_a_firmware_setting() -> None:
    (finding,) = start(("1.30", SPLIT), ("1.40", NOT_SPLIT)).standing
    (cause,) = finding.causes
    assert (cause.cause, cause.probability) == ("firmware-setting", 1.0)
    assert cause.because == (
        "riser-2, riser-3, riser-4 had bridges of their own",
        "that was in the last boot with BIOS 1.30; now it is BIOS 1.40",
    )


def test_branches_stay_lost_to_the_firmware_that_lost_them_after_a_further_update() -> None:
    (finding,) = start(("1.30", SPLIT), ("1.40", NOT_SPLIT), ("1.50", NOT_SPLIT)).standing
    assert [cause.cause for cause in finding.causes] == ["firmware-setting"]


@pytest.mark.parametrize(
    "story",
    [
        pytest.param((("1.30", SPLIT), ("1.30", NOT_SPLIT)), id="the same BIOS"),
        pytest.param((("1.30", SPLIT), ("1.40", SPLIT), ("1.40", NOT_SPLIT)), id="still split after the update"),
        pytest.param((("1.30", SPLIT), ("1.30", NOT_SPLIT), ("1.40", NOT_SPLIT)), id="not split before the update"),
        pytest.param((("1.30", NOT_SPLIT), ("1.40", NOT_SPLIT)), id="never split"),
    ],
)
def test_branches_that_no_update_took_away_have_no_decided_cause(story: tuple[tuple[str, Box], ...]) -> None:
    (finding,) = start(*story).standing
    assert finding.causes == ()


def test_examples() -> None:
    check_examples(
        BIFURCATION_NOT_ACTIVE,
        build("[4, 4]", KINDS[:2]),
        example(box((1, 4), (2, 4))),
        example(box((1, 16)), "critical slot riser | Look in the board's"),
        example(box((1, 4), (2, 4, False))),
    )
