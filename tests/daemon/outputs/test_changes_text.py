"""The text of a comparison: how much first, what belongs together below each other, within the width."""

from laneproof.box.inventory.inventory import Inventory
from laneproof.changes import Change, Comparison, DatedInventory, Gap, Outcome, Topic
from laneproof.outputs.changes_text import write_changes
from laneproof.outputs.text_style import Style

NOTHING = Inventory(firmware=None, positions=())
PLAIN = Style(width=80)


def look(*, box: str | None = "kelp-1", at: float = 0.0, name: str = "a.jsonl") -> DatedInventory:
    return DatedInventory(name=name, box=box, taken_at=at, inventory=NOTHING)


def change(
    subject: str = "riser-1", summary: str = "it is gone", *details: Change, about: Topic = Topic.DRIVE
) -> Change:
    return Change(what=Outcome.WENT, about=about, subject=subject, summary=summary, details=details)


def write(
    *changes: Change, before: DatedInventory | None = None, after: DatedInventory | None = None, style: Style = PLAIN
) -> str:
    comparison = Comparison(changes=changes)
    return write_changes(before or look(), after or look(at=60.0, name="b.jsonl"), comparison, style)


def test_no_change_is_said_with_both_sides() -> None:
    assert write() == (
        "kelp-1: NO CHANGE\n  from 1970-01-01T00:00:00Z  a.jsonl\n  to   1970-01-01T00:01:00Z  b.jsonl\n"
    )


def test_changes_are_counted_as_events_not_as_lines() -> None:
    below = change("riser-2", "x"), change("riser-3", "y")
    assert write(change("board firmware", "new", *below, about=Topic.FIRMWARE)).startswith("kelp-1: 1 CHANGE\n")
    assert write(change(), change()).startswith("kelp-1: 2 CHANGES\n")


def test_what_goes_with_an_event_stands_below_it() -> None:
    trained = change("riser-4", "trained gen3 x4, before gen4 x4", about=Topic.LINK)
    setting = change("riser-4", "target rate 8 GT/s", trained, about=Topic.SETTING)
    text = write(change("board firmware", "version 2, before 1", setting, about=Topic.FIRMWARE))
    assert text.split("\n\n")[1] == (
        "Board and firmware\n"
        "  board firmware: version 2, before 1\n"
        "    with it:\n"
        "      riser-4: target rate 8 GT/s\n"
        "        trained gen3 x4, before gen4 x4\n"
    )


def test_every_kind_of_change_has_a_heading() -> None:
    text = write(*(change(str(about), "x", about=about) for about in Topic))
    assert all(f"\n  {about}: x\n" in f"{text}\n" for about in Topic)


def test_two_boxes_and_a_turned_order_are_said() -> None:
    text = write(before=look(box="kelp-1", at=90.0), after=look(box="tern-2"))
    assert text.startswith("kelp-1 and tern-2: NO CHANGE")
    assert "Two boxes are compared: kelp-1 with tern-2." in text
    assert "run backwards" in text


def test_a_box_whose_name_one_side_does_not_know_is_one_box() -> None:
    assert write(before=look(box=None)).startswith("kelp-1: NO CHANGE\n")
    assert write(before=look(box=None), after=look(box=None)).startswith("this box: NO CHANGE\n")


def test_what_could_not_be_compared_takes_the_certainty_out_of_the_headline() -> None:
    gap = Gap(part="memory", why="the later snapshot could not read it", one_sided=True)
    text = write_changes(look(), look(), Comparison(changes=(), notes=("a note",), gaps=(gap,)), PLAIN)
    assert text.startswith("kelp-1: NO CHANGE SEEN, but not all could be compared\n")
    assert text.endswith("\nAlso\n  a note\n\nCould not be compared\n  memory: the later snapshot could not read it\n")
