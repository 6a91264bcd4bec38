"""Links below their rate."""

import pytest

from boxes.link_box import box, build, judge, past
from boxes.snapshot_box import Box
from laneproof.findings import Kind
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from laneproof.rules.links.link_narrow import LINK_NARROW
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof.rules.rule import Rule
from support.rule_examples import check_examples, example


@pytest.mark.parametrize("declared", [1, 2, 3, 4])
@pytest.mark.parametrize("trained", [1, 2, 3, 4])
def test_rate_below_above_and_as_declared(declared: int, trained: int) -> None:
    made, text = box({"trained": (trained, 4)}), build(f"{{ generation = {declared} }}")
    assert bool(judge(LINK_SLOW, made, text)) == (trained < declared)
    assert bool(judge(LINK_ABOVE_LIMIT, made, text)) == (trained > declared)


@pytest.mark.parametrize(
    ("made", "reasons", "words"),
    [
        pytest.param(box({"trained": (3, 4)}), ["training"], "training itself", id="training"),
        pytest.param(box({"gen": 3}), ["port-limit"], "port can do no more than 8 GT/s", id="port"),
        pytest.param(box(drive={"gen": 3}), ["device-limit"], "device itself can do no more than 8 GT/s", id="device"),
        pytest.param(box({"target": 3}), ["target-speed"], "Link Control 2", id="target"),
        pytest.param(box({"target": 1}), ["target-speed"], "by the firmware or by the kernel", id="kernel"),
        pytest.param(
            box({"gen": 3}, {"gen": 3}), ["device-limit", "port-limit"], "device itself can do no more", id="both"
        ),
        pytest.param(
            box({"trained": (1, 4), "target": 3}), ["training", "target-speed"], "fell short even", id="below its limit"
        ),
    ],
)
def test_slow_link_says_why(made: Box, reasons: list[str], words: str) -> None:
    (finding,) = judge(LINK_SLOW, made)
    assert finding.evidence["reasons"] == reasons
    assert words in finding.summary


@pytest.mark.parametrize(
    ("port", "drive", "words"),
    [
        ({"trained": (1, 1)}, {"asleep": True}, "sleeps"),
        ({"trained": (1, 1), "asleep": True}, {}, "sleeps"),
        (
            {"trained": (1, 1), "registers": {"autonomous_bandwidth_status": True}},
            {"control": "auto"},
            "lowered the link by itself",
        ),
    ],
)
def test_resting_link_is_unverified_with_how_to_tell_it_apart(
    port: dict[str, object], drive: dict[str, object], words: str
) -> None:
    for rule in (LINK_SLOW, LINK_NARROW):
        (finding,) = judge(rule, box(port, drive))
        assert finding.kind is Kind.UNVERIFIED
        assert words in finding.summary
        assert "under load" in finding.next_steps[0]


@pytest.mark.parametrize(
    ("registers", "control"),
    [
        ({"autonomous_bandwidth_status": True}, "on"),  # no power management is at work
        ({"autonomous_bandwidth_status": True, "bandwidth_management_status": True}, "auto"),  # errors may be
        ({}, "auto"),
    ],
)
def test_slow_link_with_no_sign_of_rest_is_at_fault(registers: dict[str, bool], control: str) -> None:
    made = box({"trained": (1, 4), "registers": registers}, {"control": control})
    assert [finding.kind for finding in judge(LINK_SLOW, made)] == [Kind.DIFFERS]


def test_sleeping_link_at_its_full_rate_holds() -> None:
    assert judge(LINK_SLOW, box(drive={"asleep": True})) == []


@pytest.mark.parametrize(
    ("made", "rule"), [(box({"target": 3}), LINK_SLOW), (box({"gen": 3}), LINK_SLOW), (box({"lanes": 2}), LINK_NARROW)]
)
def test_limit_that_fell_with_another_bios_is_a_firmware_setting(made: Box, rule: Rule) -> None:
    (finding,) = judge(rule, made, past=past())
    assert [(cause.cause, cause.probability) for cause in finding.causes] == [("firmware-setting", 1.0)]
    because = " ".join(finding.causes[0].because)
    assert "BIOS 1.30" in because
    assert "BIOS 1.40" in because


@pytest.mark.parametrize(
    ("made", "earlier"),
    [
        pytest.param(box({"target": 3}), past(target=8.0), id="the target was as low before"),
        pytest.param(box({"target": 3}), NO_PAST, id="no other BIOS was seen"),
        pytest.param(box({"trained": (3, 4)}), past(), id="no limit fell"),
        pytest.param(box(drive={"gen": 3}), past(), id="the drive is the limit"),
    ],
)
def test_without_a_limit_that_fell_nothing_is_decided(made: Box, earlier: Past) -> None:
    (finding,) = judge(LINK_SLOW, made, past=earlier)
    assert finding.causes == ()


def test_examples() -> None:
    check_examples(
        LINK_SLOW,
        build(),
        example(box()),
        example(box({"trained": (3, 4)}), "warning 0000:01:00.0 | Shut down, wait a"),
        example(box({"target": 1}), "warning 0000:01:00.0 | Look in the"),
        example(box({"target": 3}), build=build("{ generation = 3, lanes = 4 }", '["flexible-cable"]')),
        example(box({"trained": (1, 4)}, {"asleep": True}), "notice 0000:01:00.0 | Judge it again"),
        example(box({"trained": (3, 4)}), "notice 0000:01:00.0 | Shut down, wait a", build=None),
    )
