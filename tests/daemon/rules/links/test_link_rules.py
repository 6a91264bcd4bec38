"""link-slow, link-narrow, link-above-limit, link-beyond-hardware."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING, Boot, LinkLimits, Past
from laneproof.rules import judge_all
from laneproof.rules.links.link_rules import LINK_ABOVE_LIMIT, LINK_BEYOND_HARDWARE, LINK_NARROW, LINK_SLOW
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import PciFunction, PhysicalSlot
from laneproof_collectors.unread import Unread
from simulated_box import Box, declare, make_express

PATH, DEVICE = "0000:00/01.1", "0000:00/01.1/00.0"
UNKNOWN = Unread("max_link_speed of 0000:00:01.1", "not a link speed: b'Unknown'")
PLAN = "{ generation = 4, lanes = 4 }"


def build(link: str = PLAN, through: str = "[]") -> str:
    return f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = {through}\nlink = {link}\n'


def box(port: dict[str, object] | None = None, drive: dict[str, object] | None = None) -> Box:
    return Box().with_port(PATH, **port or {}).with_drive(PATH, **drive or {})


def judge(rule: Rule, made: Box, text: str | None = None, past: Past = NOTHING) -> list[Finding]:
    return list(rule.judge(declare(text if text is not None else build()), made.snapshot(), past))


def judge_undeclared(rule: Rule, made: Box) -> list[Finding]:
    return list(rule.judge(None, made.snapshot(), NOTHING))


def edit_both(made: Box, edit: Callable[[PciFunction], PciFunction]) -> Box:
    return made.edit(PATH, edit).edit(DEVICE, edit)


# --- trained against declared -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("declared", [1, 2, 3, 4])
@pytest.mark.parametrize("trained", [1, 2, 3, 4])
def test_rate_below_above_and_as_declared(declared: int, trained: int) -> None:
    made, text = box({"trained": (trained, 4)}), build(f"{{ generation = {declared} }}")
    assert bool(judge(LINK_SLOW, made, text)) == (trained < declared)
    assert bool(judge(LINK_ABOVE_LIMIT, made, text)) == (trained > declared)


@pytest.mark.parametrize("declared", [1, 2, 4])
@pytest.mark.parametrize("trained", [1, 2, 4])
def test_width_below_above_and_as_declared(declared: int, trained: int) -> None:
    made, text = box({"trained": (4, trained)}), build(f"{{ lanes = {declared} }}")
    assert bool(judge(LINK_NARROW, made, text)) == (trained < declared)
    assert bool(judge(LINK_ABOVE_LIMIT, made, text)) == (trained > declared)


def test_slow_and_narrow_give_both_values() -> None:
    made = box({"trained": (1, 1)})
    (slow,) = judge(LINK_SLOW, made)
    (narrow,) = judge(LINK_NARROW, made)
    assert (slow.kind, slow.severity, slow.position) == (Kind.DIFFERS, Severity.WARNING, "riser-1")
    assert "trained at 2.5 GT/s (generation 1), declared 16 GT/s (generation 4)" in slow.summary
    assert "trained at x1, declared x4" in narrow.summary
    assert (narrow.declared, narrow.observed) == ("x4", "x1")
    assert narrow.subject == "0000:01:00.0"
    assert narrow.evidence["link_bytes_per_second"] == 250_000_000


def test_only_the_declared_figure_is_compared() -> None:
    assert judge(LINK_NARROW, box({"trained": (4, 1)}), build("{ generation = 4 }")) == []


def test_links_of_empty_positions_are_not_judged() -> None:
    made = Box().with_port(PATH)
    assert [judge(rule, made) for rule in (LINK_SLOW, LINK_NARROW, LINK_ABOVE_LIMIT, LINK_BEYOND_HARDWARE)] == [[]] * 4


def test_limit_that_the_owner_chose_is_no_fault() -> None:
    text = build('{ generation = 2, lanes = 4, because = "long ribbon" }', '["flexible-cable"]')
    assert judge_all(declare(text), box({"target": 2}).snapshot(), NOTHING) == ()


# --- why --------------------------------------------------------------------------------------------------------------


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
    ("made", "reasons", "words"),
    [
        pytest.param(box({"trained": (4, 2)}), ["training"], "training itself", id="training"),
        pytest.param(box({"lanes": 1}), ["port-limit"], "the port has no more than x1, as it is wired", id="port"),
        pytest.param(box(drive={"lanes": 2}), ["device-limit"], "device itself has no more than x2", id="device"),
    ],
)
def test_narrow_link_says_why(made: Box, reasons: list[str], words: str) -> None:
    (finding,) = judge(LINK_NARROW, made)
    assert finding.evidence["reasons"] == reasons
    assert words in finding.summary


def test_narrow_link_names_the_boards_own_table() -> None:
    slot = PhysicalSlot(name="M2_3", address="0000:01:00", electrical_lanes=2, source="smbios")
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 2)}).with_group(slots=(slot,)))
    assert "slot M2_3 wired for x2" in finding.summary


def test_narrow_link_behind_an_adapter_names_the_adapter() -> None:
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 1)}), build(through='["key-adapter"]'))
    assert finding.evidence["reasons"] == ["training", "wiring"]
    assert "key-adapter" in finding.summary


def test_unread_limit_leaves_the_why_open() -> None:
    made = box({"trained": (3, 4)}).without_registers()
    made.edit(PATH, lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    (finding,) = judge(LINK_SLOW, made)
    assert finding.evidence["reasons"] == ["unknown"]
    (beyond,) = judge(LINK_BEYOND_HARDWARE, made)
    assert beyond.kind is Kind.UNVERIFIED


# --- beyond hardware --------------------------------------------------------------------------------------------------


def test_beyond_hardware_is_said_besides_and_becomes_the_reason() -> None:
    made = box(drive={"gen": 3, "lanes": 2})
    findings = {one.rule: one for one in judge_all(declare(build()), made.snapshot(), NOTHING)}
    assert set(findings) == {"link-slow", "link-narrow", "link-beyond-hardware"}
    for rule in ("link-slow", "link-narrow"):
        assert findings[rule].evidence["reason"] == "link-beyond-hardware"
        assert "link-beyond-hardware" in findings[rule].next_steps[0]
    beyond = findings["link-beyond-hardware"]
    assert (beyond.declared, beyond.observed) == ("16 GT/s (generation 4) x4", "8 GT/s (generation 3) x2")


def test_hardware_that_can_do_what_is_declared_is_not_beyond() -> None:
    assert judge(LINK_BEYOND_HARDWARE, box({"trained": (1, 1)})) == []


def test_link_that_meets_its_plan_proves_its_hardware() -> None:
    made = edit_both(box().without_registers(), lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    assert judge(LINK_BEYOND_HARDWARE, made) == []


def test_one_known_end_below_the_plan_is_enough() -> None:
    made = box(drive={"gen": 3}).without_registers()
    made.edit(PATH, lambda one: replace(one, link=replace(one.link, capable_gt_s=UNKNOWN)))
    assert [one.kind for one in judge(LINK_BEYOND_HARDWARE, made)] == [Kind.DIFFERS]


# --- above the plan ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("through", "because", "severity"),
    [
        ("[]", "", Severity.NOTICE),
        ('["flexible-cable"]', "", Severity.WARNING),
        ("[]", ', because = "the ribbon"', Severity.WARNING),
    ],
)
def test_lost_limit_is_louder_where_it_had_a_reason(through: str, because: str, severity: Severity) -> None:
    (finding,) = judge(LINK_ABOVE_LIMIT, box(), build(f"{{ generation = 3, lanes = 2{because} }}", through))
    assert finding.severity is severity
    assert (finding.declared, finding.observed) == ("8 GT/s (generation 3) x2", "16 GT/s (generation 4) x4")


# --- at rest, and what could not be read ------------------------------------------------------------------------------


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
    assert [one.kind for one in judge(LINK_SLOW, made)] == [Kind.DIFFERS]


def test_sleeping_link_at_its_full_rate_holds() -> None:
    assert judge(LINK_SLOW, box(drive={"asleep": True})) == []


def test_switch_port_that_tells_no_width_is_outvoted_by_the_drive() -> None:
    # as the emulated switch answers: no lanes and an unknown rate at the port, a real link at the drive
    odd = {"capable_lanes": 0, "trained_lanes": 0, "capable_gt_s": UNKNOWN, "trained_gt_s": UNKNOWN}
    made = box({"registers": odd}, {"gen": 1, "lanes": 1})
    made.edit(PATH, lambda one: replace(one, link=replace(one.link, **odd)))
    made.edit(DEVICE, lambda one: replace(one, link=replace(one.link, trained_gt_s=2.5, trained_lanes=1)))
    assert judge(LINK_SLOW, made, build("{ generation = 1, lanes = 1 }")) == []
    assert judge(LINK_NARROW, made, build("{ generation = 1, lanes = 1 }")) == []
    assert [one.kind for one in judge(LINK_SLOW, made)] == [Kind.DIFFERS]
    assert [one.kind for one in judge_undeclared(LINK_SLOW, made)] == [Kind.UNVERIFIED]
    assert [one.kind for one in judge_undeclared(LINK_NARROW, made)] == [Kind.UNVERIFIED]


@pytest.mark.parametrize("odd", [UNKNOWN, 0, 63])
def test_width_that_no_end_tells_is_unverified(odd: int | Unread) -> None:
    made = edit_both(box().without_registers(), lambda one: replace(one, link=replace(one.link, trained_lanes=odd)))
    (finding,) = judge(LINK_NARROW, made)
    assert (finding.kind, finding.severity) == (Kind.UNVERIFIED, Severity.NOTICE)
    assert judge(LINK_SLOW, made) == []


def test_lower_of_two_witnesses_counts_and_both_are_shown() -> None:
    made = box().edit(DEVICE, lambda one: replace(one, link=replace(one.link, trained_lanes=2)))
    (finding,) = judge(LINK_NARROW, made)
    assert finding.observed == "x2"
    assert finding.evidence["width_witnesses"] == {
        "port registers": 4,
        "port in sysfs": 4,
        "device registers": 4,
        "device in sysfs": 2,
    }


def test_declared_link_of_a_device_without_one_is_unverified() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/05.0"\nlink = { generation = 4, lanes = 4 }'
    made = (
        Box().with_drive("0000:00/05.0").edit("0000:00/05.0", lambda one: replace(one, express=make_express(9, None)))
    )
    assert [one.kind for one in judge(LINK_SLOW, made, text)] == [Kind.UNVERIFIED]
    assert [one.kind for one in judge(LINK_NARROW, made, text)] == [Kind.UNVERIFIED]


def test_declared_link_of_a_device_that_no_bridge_precedes_is_judged_by_its_own_end() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/05.0"\nlink = { generation = 4, lanes = 4 }'
    assert judge(LINK_SLOW, Box().with_drive("0000:00/05.0"), text) == []
    made = Box().with_drive("0000:00/05.0", trained=(3, 4))
    assert [one.kind for one in judge(LINK_SLOW, made, text)] == [Kind.DIFFERS]


# --- without a declaration --------------------------------------------------------------------------------------------


def test_undeclared_link_below_both_ends_is_a_note() -> None:
    (finding,) = judge_undeclared(LINK_SLOW, box({"trained": (3, 4)}))
    assert (finding.kind, finding.severity, finding.position) == (Kind.DIFFERS, Severity.NOTICE, None)
    assert finding.identity == ("link-slow", PATH)
    assert finding.declared is None


def test_undeclared_link_at_the_lesser_of_both_ends_holds() -> None:
    made = box({"gen": 5, "lanes": 16}, {"gen": 3, "lanes": 2})
    assert judge_undeclared(LINK_SLOW, made) == []
    assert judge_undeclared(LINK_NARROW, made) == []


def test_position_without_a_link_is_judged_by_its_ends_as_a_note() -> None:
    text = f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"'
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 2)}), text)
    assert (finding.position, finding.severity) == ("riser-1", Severity.NOTICE)


def test_undeclared_device_whose_upper_end_is_hidden_is_unverified_when_below_its_own_limit() -> None:
    assert judge_undeclared(LINK_SLOW, Box().with_drive("0000:00/05.0")) == []
    (finding,) = judge_undeclared(LINK_SLOW, Box().with_drive("0000:00/05.0", trained=(3, 4)))
    assert finding.kind is Kind.UNVERIFIED


def test_shared_link_above_declared_positions_is_judged_once_as_a_note() -> None:
    made = Box().with_port("0000:00/01.2", lanes=8, trained=(4, 2)).with_switch("0000:00/01.2")
    text = ""
    for hop in ("04.0", "05.0"):
        path = f"0000:00/01.2/00.0/{hop}"
        made.with_port(path).with_drive(path)
        text += f'[[position]]\nlabel = "{hop}"\npath = "{path}"\nlink = {PLAN}\n'
    (finding,) = judge(LINK_NARROW, made, text)
    assert (finding.position, finding.severity) == (None, Severity.NOTICE)
    assert finding.identity == ("link-narrow", "0000:00/01.2")


# --- firmware-setting -------------------------------------------------------------------------------------------------

BOOTS = (
    Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),
    Boot(boot_id="new", first_seen_at=2.0, bios_version="1.40"),
)


def past(*, target: float | None = 16.0, capable: float | None = 16.0, lanes: int | None = 4) -> Past:
    limits = LinkLimits(boot_id="old", target_gt_s=target, capable_gt_s=capable, capable_lanes=lanes)
    return Past(boots=BOOTS, earlier_limits={PATH: limits})


@pytest.mark.parametrize(
    ("made", "rule"),
    [(box({"target": 3}), LINK_SLOW), (box({"gen": 3}), LINK_SLOW), (box({"lanes": 2}), LINK_NARROW)],
)
def test_limit_that_fell_with_another_bios_is_a_firmware_setting(made: Box, rule: Rule) -> None:
    (finding,) = judge(rule, made, past=past())
    assert [(one.cause, one.probability) for one in finding.causes] == [("firmware-setting", 1.0)]
    because = " ".join(finding.causes[0].because)
    assert "BIOS 1.30" in because
    assert "BIOS 1.40" in because


@pytest.mark.parametrize(
    ("made", "earlier"),
    [
        pytest.param(box({"target": 3}), past(target=8.0), id="the target was as low before"),
        pytest.param(box({"target": 3}), NOTHING, id="no other BIOS was seen"),
        pytest.param(box({"trained": (3, 4)}), past(), id="no limit fell"),
        pytest.param(box(drive={"gen": 3}), past(), id="the drive is the limit"),
    ],
)
def test_without_a_limit_that_fell_nothing_is_decided(made: Box, earlier: Past) -> None:
    (finding,) = judge(LINK_SLOW, made, past=earlier)
    assert finding.causes == ()
