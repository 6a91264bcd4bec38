"""Links against their declaration and their own ends."""

from dataclasses import replace

from boxes.link_box import PATH, PLAN, box, build, judge, judge_undeclared, trained
from boxes.snapshot_box import RISER_1, Box, declare, make_express
from boxes.story_engine import DAY, Watcher
from laneproof.findings import Kind, Severity
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from laneproof.rules.links.link_beyond_hardware import LINK_BEYOND_HARDWARE
from laneproof.rules.links.link_narrow import LINK_NARROW
from laneproof.rules.links.link_slow import LINK_SLOW


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


ON_THE_BOARD = '[[position]]\nlabel = "a"\npath = "0000:00/05.0"\nlink = { generation = 4, lanes = 4 }'


def test_declared_link_of_a_device_without_one_is_unverified() -> None:
    made = Box().with_drive("0000:00/05.0")
    made.edit("0000:00/05.0", lambda function: replace(function, express=make_express(9, None)))
    for rule in (LINK_SLOW, LINK_NARROW):
        (finding,) = judge(rule, made, ON_THE_BOARD)
        assert (finding.kind, finding.declared) == (Kind.UNVERIFIED, "16 GT/s (generation 4) x4")
        assert finding.next_steps[0].startswith("Where the kernel itself answers 'Unknown'")


def test_declared_link_of_a_device_that_no_bridge_precedes_is_judged_by_its_own_end() -> None:
    assert judge(LINK_SLOW, Box().with_drive("0000:00/05.0"), ON_THE_BOARD) == []
    made = Box().with_drive("0000:00/05.0", trained=(3, 4))
    assert [finding.kind for finding in judge(LINK_SLOW, made, ON_THE_BOARD)] == [Kind.DIFFERS]


def test_undeclared_link_below_both_ends_is_a_notice() -> None:
    (finding,) = judge_undeclared(LINK_SLOW, box({"trained": (3, 4)}))
    assert (finding.kind, finding.severity, finding.position) == (Kind.DIFFERS, Severity.NOTICE, None)
    assert finding.identity == ("link-slow", PATH)
    assert finding.declared is None


def test_undeclared_link_at_the_lesser_of_both_ends_holds() -> None:
    made = box({"gen": 5, "lanes": 16}, {"gen": 3, "lanes": 2})
    assert judge_undeclared(LINK_SLOW, made) == []
    assert judge_undeclared(LINK_NARROW, made) == []


def test_position_without_a_link_is_judged_by_its_ends_as_a_notice() -> None:
    (finding,) = judge(LINK_NARROW, box({"trained": (4, 2)}), RISER_1)
    assert (finding.position, finding.severity) == ("riser-1", Severity.NOTICE)


def test_undeclared_device_whose_upper_end_is_hidden_is_unverified_when_below_its_own_limit() -> None:
    assert judge_undeclared(LINK_SLOW, Box().with_drive("0000:00/05.0")) == []
    (finding,) = judge_undeclared(LINK_SLOW, Box().with_drive("0000:00/05.0", trained=(3, 4)))
    assert finding.kind is Kind.UNVERIFIED


def test_shared_link_above_declared_positions_is_judged_once_as_a_notice() -> None:
    made = Box().with_port("0000:00/01.2", lanes=8, trained=(4, 2)).with_switch("0000:00/01.2")
    text = ""
    for hop in ("04.0", "05.0"):
        path = f"0000:00/01.2/00.0/{hop}"
        made.with_port(path).with_drive(path)
        text += f'[[position]]\nlabel = "{hop}"\npath = "{path}"\nlink = {PLAN}\n'
    (finding,) = judge(LINK_NARROW, made, text)
    assert (finding.position, finding.severity) == (None, Severity.NOTICE)
    assert finding.identity == ("link-narrow", "0000:00/01.2")


def resting() -> Box:
    return box({"trained": (1, 4)}, {"asleep": True, "serial": "FN1"})


def test_a_link_that_falls_asleep_keeps_what_was_said_of_it_and_gets_nothing_new() -> None:
    for first, kinds in ((trained(1), [Kind.DIFFERS]), (trained(), []), (resting(), [Kind.UNVERIFIED])):
        watcher = Watcher("link-slow", declare(build())).observe(first).observe(resting(), after=60.0)
        assert [finding.kind for finding in watcher.standing] == kinds
        assert watcher.became == ["raised"] * len(kinds)


def test_a_link_that_was_awake_within_the_week_stands_and_is_unverified_after_it() -> None:
    watcher = Watcher("link-slow", declare(build())).observe(trained())
    watcher.observe(resting(), after=DAY, times=7)
    assert watcher.changes == []
    watcher.observe(resting(), after=DAY, times=23)
    assert [finding.kind for finding in watcher.standing] == [Kind.UNVERIFIED]
    assert watcher.became == ["raised"]
    assert watcher.observe(trained(), after=DAY).observe(resting(), after=DAY).standing == []


def test_a_link_that_was_never_seen_awake_is_unverified_however_late_it_is_declared() -> None:
    watcher = Watcher("link-slow").observe(resting()).observe(resting(), after=60.0)
    watcher.engine.build = declare(build())
    watcher.observe(resting(), after=DAY, times=3)
    assert [(finding.kind, finding.position) for finding in watcher.standing] == [(Kind.UNVERIFIED, "riser-1")]
