"""The tree on the page: each position once, under what it hangs on, with its link, its occupant and what was found."""

from dataclasses import replace

from boxes.snapshot_box import Box, kelp_box
from boxes.troubled_box import Judged, judge, troubled
from laneproof.findings import order_findings
from laneproof.outputs.page.position_tree import TreeNotes, write_tree
from laneproof.outputs.page.words import Anchors
from laneproof_collectors.snapshot import LinkEnd
from laneproof_collectors.unread import Reason, Unread
from support.html_tree import Node, read_html


def tree(judged: Judged | None = None) -> Node:
    shown = judged or troubled()
    ordered = order_findings(shown.findings)
    return read_html(write_tree(shown.build, shown.snapshot, TreeNotes(ordered=ordered, anchors=Anchors(ordered))))


def position(root: Node, label: str) -> Node:
    (found,) = (element for element in root.all(class_="position") if element.one(class_="name").text.startswith(label))
    return found


def test_each_position_is_there_once_and_nested_as_it_hangs() -> None:
    def names(items: list[Node]) -> list[object]:
        """Give the names of a list, each with those of the list in it."""
        out: list[object] = []
        for item in (part for part in items if part.tag == "li"):
            parts = [part for part in item.content if isinstance(part, Node)]
            inner = [name for part in parts if part.tag == "ul" for name in names(_nodes(part))]
            out.append((parts[0].one(class_="name").text if parts[0].all(class_="name") else parts[0].text, inner))
        return out

    assert names(_nodes(tree().one("ul", class_="tree"))) == [
        ("0000:00 host bridge", [
            ("riser-1 01.1", []),
            ("riser-2 01.2", []),
            ("riser-3 01.3", []),
            ("02.1", [("00.0", [("deck-1 00.0", [])])]),
        ]),
    ]  # fmt: skip


def _nodes(parent: Node) -> list[Node]:
    return [part for part in parent.content if isinstance(part, Node)]


def test_both_values_and_the_rate_are_words() -> None:
    # PCI Express: 16 GT/s, 128b/130b, 2 lanes: 3.94 GB/s after line coding
    assert position(tree(), "riser-2").one(class_="link").text == "generation 4 x2 3.94 GB/s , declared generation 4 x4"
    assert position(tree(), "riser-1").one(class_="link").text == "generation 4 x4 7.88 GB/s"
    assert position(tree(), "riser-3").one(class_="link").text == "no link , declared generation 4 x4"


def test_a_width_that_could_not_be_read_is_not_shown_as_a_difference() -> None:
    gap = Unread("current_link_width", "made up", Reason.FAILED)
    judged = troubled()
    functions = judged.snapshot.functions
    assert isinstance(functions, tuple)
    unread = tuple(
        replace(function, express=gap, link=replace(function.link, trained_lanes=gap))
        if isinstance(function.link, LinkEnd)
        else function
        for function in functions
    )
    shown = tree(replace(judged, snapshot=replace(judged.snapshot, functions=unread)))
    link = position(shown, "riser-2").one(class_="link")
    assert link.text == "generation 4 unknown width , declared generation 4 x4"
    assert link.all(class_="declared") == []
    assert position(tree(judged), "riser-2").one(class_="link").all(class_="declared") != []


def test_what_is_in_a_position_is_written() -> None:
    assert position(tree(), "riser-2").one(class_="occupant").text == "nvme1 4 TB Gannet N4 Coastal Edition"
    assert position(tree(), "riser-3").one(class_="occupant").text == "empty"
    assert position(tree(), "02.1").one(class_="occupant").text == "more below"


def test_each_position_leads_to_what_was_found_there_the_loudest_first() -> None:
    state = position(tree(), "riser-2").one(class_="state")
    assert state.text == "signal-errors and 2 more"
    assert state.one("a").attributes["href"] == "#finding-signal-errors-riser-2"
    assert position(tree(), "deck-1").one(class_="state").text == "link-beyond-hardware"


def test_a_declared_position_where_nothing_was_found_is_as_declared_and_no_more() -> None:
    judged = judge('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"', kelp_box(2).snapshot())
    assert position(tree(judged), "riser-1").one(class_="state").text == "as declared"
    assert position(tree(judged), "01.2").one(class_="state").text == "occupant-unexpected"


def test_what_is_only_accepted_says_so() -> None:
    build = (
        '[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\nlink = { lanes = 8 }\n'
        '[[accept]]\nrule = "link-narrow"\nbecause = "x"\n[[accept]]\nrule = "link-beyond-hardware"\nbecause = "y"'
    )
    state = position(tree(judge(build, kelp_box(1).snapshot())), "riser-1").one(class_="state")
    assert "accepted" in state.text


def test_a_position_whose_bridges_are_missing_hangs_on_its_host_bridge() -> None:
    build = '[[position]]\nlabel = "lost"\npath = "0000:00/1c.0/00.0/02.0"'
    assert position(tree(judge(build, Box().snapshot())), "lost").one(class_="name").text == "lost 1c.0/00.0/02.0"


def test_several_host_bridges_have_a_root_each() -> None:
    box = Box().with_drive("0000:00/05.0").with_drive("10000:e0/06.0")
    assert [element.text for element in tree(judge(None, box.snapshot())).all(class_="root")] == [
        "0000:00 host bridge",
        "10000:e0 host bridge",
    ]


def test_an_unread_tree_and_an_empty_one_are_told_apart() -> None:
    gap = Unread("/sys/bus/pci/devices", "permission denied", Reason.DENIED)
    assert "could not read /sys/bus/pci/devices" in tree(judge(None, Box().with_group(functions=gap).snapshot())).text
    assert "No drive, and no declared position." in tree(judge(None, Box().snapshot())).text


def test_a_model_that_could_not_be_read_is_reported() -> None:
    box = Box().with_drive("0000:00/05.0", controller={"model": Unread("model", "x")})
    assert "what it is could not be read" in tree(judge(None, box.snapshot())).text
