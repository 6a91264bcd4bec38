"""How text is written: within its width, without what steers a terminal, with colour only where it may be used.

Every text that the program writes for people is held against this here, in a box where all that can be named by
somebody else has a name as long and as hostile as can be.
"""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from boxes.array_box import BUILD, array_box, guide_for
from boxes.kept_position import BEGINS, DAY, make_series
from boxes.proven_box import RISER_3, run_box, targets
from boxes.snapshot_box import Box, declare
from boxes.troubled_box import SIGN, troubled
from laneproof.box.inventory.inventory import Inventory
from laneproof.box.names import describe_position
from laneproof.box.shown_positions import list_positions
from laneproof.changes import Change, Comparison, DatedInventory, Gap, Outcome, Topic
from laneproof.commands.inputs import load_build
from laneproof.desk.check import check_budget
from laneproof.outputs.audit_text import write_audit
from laneproof.outputs.budget_text import write_budget
from laneproof.outputs.changes_text import write_changes
from laneproof.outputs.events_text import Happening, write_events
from laneproof.outputs.prove_text import write_plan, write_proof
from laneproof.outputs.replace_text import write_guide
from laneproof.outputs.text_style import NARROWEST, Style
from laneproof.outputs.time_columns import choose_grid
from laneproof.outputs.trend import Subject, choose_worse, make_trend
from laneproof.outputs.trend_text import columns_for, write_box_trend, write_trend
from laneproof.outputs.where_text import Finds, write_where
from laneproof.proof.judgement import judge
from laneproof.proof.plan import make_plan
from laneproof.proof.simulated_machine import Fault
from support.unread_answers import known

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")
HOSTILE = "Evil\x1b[2J\x07\r\nkelp-1: HOLDS \x9b0m \x1b]0;t \u202e é → ° " + "x" * 90
WIDTHS = (10, NARROWEST, 41, 44, 60, 71, 72, 80, 99, 100, 132, 200)
PATH = "0000:00/01.1"
Write = Callable[[str, Style], str]


def write_troubled(_: str, style: Style) -> str:
    return write_audit(troubled().build, troubled().snapshot, troubled().findings, style)


def write_odd_audit(name: str, style: Style) -> str:
    build = declare(f'[[position]]\nlabel = "x"\npath = "{PATH}"')
    build = build.model_copy(update={"position": (build.position[0].model_copy(update={"label": name}),)})
    snapshot = Box().with_port(PATH).with_drive(PATH, model=name).snapshot()
    finding = replace(SIGN, position=None, subject=name, summary=f"{name} is slow", accepted=None)
    return write_audit(build, snapshot, (finding, replace(finding, accepted=name)), style)


def write_desk(_: str, style: Style) -> str:
    return write_budget(check_budget(known(load_build(None, demo=True))), style)


def write_odd_changes(name: str, style: Style) -> str:
    def change(*details: Change) -> Change:
        return Change(what=Outcome.WENT, about=Topic.DRIVE, subject="riser-1", summary=name, details=details)

    dated = DatedInventory(name=name, box=name, taken_at=0.0, inventory=Inventory(firmware=None, positions=()))
    gap = Gap(part="memory", why=name, one_sided=True)
    comparison = Comparison(changes=(change(change(change())),), notes=(name,), gaps=(gap,))
    return write_changes(replace(dated, box="kelp-1"), replace(dated, box="kelp-1"), comparison, style)


def write_odd_events(name: str, style: Style) -> str:
    return write_events([Happening(t=BEGINS, kind="a kind with a long name", text=name, device=name)], style, name)


def write_odd_trend(name: str, style: Style) -> str:
    grid = choose_grid(BEGINS, BEGINS + 300 * DAY, columns_for(style.width))
    subject = Subject(name=name, path=name, drive=name, drive_name=name)
    series = [
        make_series("data_units_written", 0, 10**12, 10**13, 10**15),
        *(make_series("member_errors", 1, 5, end=f"{letter}{name}", is_counter=False) for letter in "ab"),
        make_series("media_errors", 0, 10**11, 3 * 10**11),
    ]
    worse = choose_worse([replace(part, path=name, drive=name) for part in series], [subject], grid)
    return write_trend(make_trend(subject, series, (), grid), style) + write_box_trend(name, worse, grid, style)


def write_odd_where(name: str, style: Style) -> str:
    snapshot = Box().with_port(PATH).with_drive(PATH, model=name).snapshot()
    finds = Finds(names={"nvme0n1": (name,)}, leds={})
    found = replace(describe_position(PATH, None, snapshot), known_as=name)
    return write_where(name, (found, found), finds, list_positions(None, snapshot), style)


def write_replacement(_: str, style: Style) -> str:
    box = array_box("in_sync", "in_sync", "in_sync", "faulty")
    text = write_guide(guide_for("riser-2", box), list_positions(BUILD, box.snapshot()), style, with_steps=True)
    return "".join(f"{line}\n" for line in text.splitlines() if not line.startswith("      "))  # commands stay whole


def write_run(_: str, style: Style) -> str:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)}, mode="quick")
    return write_proof(run, judge(run), style) + write_plan("kelp-1", make_plan(targets()), style)


TEXTS = (
    write_troubled, write_odd_audit, write_desk, write_odd_changes, write_odd_events, write_odd_trend, write_odd_where,
    write_replacement, write_run,
)  # fmt: skip


@pytest.mark.parametrize("write", TEXTS)
@pytest.mark.parametrize("unicode", [True, False])
def test_every_text_fits_its_width_and_steers_no_terminal(write: Write, *, unicode: bool) -> None:
    for width in WIDTHS:
        text = write(HOSTILE, Style(width=width, unicode=unicode))
        assert max(map(len, text.splitlines())) <= max(width, NARROWEST)
        assert all(line.isprintable() for line in text.split("\n"))
        assert unicode or text.isascii()
        assert not any(line.startswith("kelp-1: HOLDS") for line in text.split("\n"))


@pytest.mark.parametrize("write", TEXTS)
def test_colour_only_repeats_what_the_words_say(write: Write) -> None:
    coloured = write("x", Style(colour=True))
    assert (coloured == write("x", Style())) is (write is write_odd_events)  # which needs none
    assert ESCAPE.sub("", coloured) == write("x", Style())


@settings(max_examples=60)
@given(name=st.text(min_size=1, max_size=90), width=st.integers(NARROWEST, 120), unicode=st.booleans())
def test_any_names_fit_and_stay_on_their_lines(name: str, width: int, unicode: bool) -> None:
    text = write_odd_audit(name, Style(width=width, unicode=unicode))
    assert max(map(len, text.split("\n"))) <= width
    assert all(line.isprintable() for line in text.split("\n"))
    assert unicode or text.isascii()


def test_no_text_is_narrower_than_the_narrowest() -> None:
    assert Style(width=10).width == NARROWEST
    assert Style(width=NARROWEST + 1).width == NARROWEST + 1


@given(
    text=st.text(max_size=200), title=st.text(min_size=1, max_size=90), width=st.integers(0, 90), unicode=st.booleans()
)
def test_wrapped_lines_fit_and_steer_no_terminal(text: str, title: str, width: int, unicode: bool) -> None:
    style = Style(width=width, unicode=unicode)
    for lines in (style.wrap(text, "  - "), style.wrap_under(title, f": {text}", "1", "  ")):
        assert all(len(line) <= style.width for line in lines)
        assert all(character.isprintable() for line in lines for character in line)
        assert unicode or "".join(lines).isascii()


def test_the_first_line_and_the_rest_have_their_own_beginnings() -> None:
    style = Style(width=NARROWEST)
    assert style.wrap("word " * 10, "1. ", "   ") == ["1. " + "word " * 6 + "word", "   word word word"]
    assert style.wrap("word " * 10, "  ")[1].startswith("    word")


def test_only_the_title_is_painted_and_only_where_colour_may_be_used() -> None:
    assert Style(colour=True).wrap_under("kelp-1", ": holds", "32") == ["\x1b[32mkelp-1\x1b[0m: holds"]
    assert Style().wrap_under("kelp-1", ": holds", "32") == ["kelp-1: holds"]


@pytest.mark.parametrize(("unicode", "cut"), [(True, "abc…"), (False, "abc~")])
def test_a_cut_is_shown(unicode: bool, cut: str) -> None:
    assert Style(unicode=unicode).cut("abcdef", 4) == cut
    assert Style(unicode=unicode).cut("abcd", 4) == "abcd"
