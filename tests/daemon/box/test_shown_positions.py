"""The positions shown are what a person looks for: positions, drives, and the ports on the way to them."""

from boxes.snapshot_box import NETWORK, SATA, Box, declare, kelp_box
from boxes.troubled_box import make_snapshot
from laneproof.box.shown_positions import RateAndLanes, arrange_tree, list_positions


def test_positions_are_in_the_order_of_their_paths_with_the_ports_on_the_way() -> None:
    paths = [position.path for position in list_positions(None, make_snapshot())]
    assert paths == ["0000:00/01.1", "0000:00/01.2", "0000:00/02.1", "0000:00/02.1/00.0", "0000:00/02.1/00.0/00.0"]


def test_a_declared_position_is_listed_though_nothing_is_there() -> None:
    build = declare('[[position]]\nlabel = "lost"\npath = "0000:00/1c.0"\nlink = { generation = 3 }')
    (position,) = list_positions(build, Box().snapshot())
    assert (position.label, position.occupant, position.trained) == ("lost", None, None)
    assert str(position.declared) == "gen3 x?"


def test_what_is_no_drive_and_not_declared_is_left_out() -> None:
    snapshot = kelp_box(1).with_port("0000:00/03.0").with_device("0000:00/03.0", class_code=NETWORK).snapshot()
    assert [position.path for position in list_positions(None, snapshot)] == ["0000:00/01.1"]
    build = declare('[[position]]\nlabel = "uplink"\npath = "0000:00/03.0"')
    assert [position.label for position in list_positions(build, snapshot)] == [None, "uplink"]


def test_a_drive_with_no_bridge_above_it_is_a_position_of_its_own() -> None:
    (position,) = list_positions(None, Box().with_drive("0000:00/05.0").snapshot())
    assert (position.path, position.has_children) == ("0000:00/05.0", False)
    assert position.occupant is not None


def test_a_drive_on_a_controller_hangs_below_it() -> None:
    box = Box().with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3")
    controller, drive = list_positions(None, box.snapshot())
    assert (controller.path, drive.path, drive.trained) == ("0000:00/17.0", "0000:00/17.0/ata-3", None)
    assert drive.occupant is not None


def test_a_switch_cards_own_bridges_are_marked_as_having_more_below() -> None:
    positions = {position.path: position for position in list_positions(None, make_snapshot())}
    assert positions["0000:00/02.1"].has_children
    assert not positions["0000:00/02.1/00.0/00.0"].has_children
    assert positions["0000:00/02.1"].occupant is None


def test_a_width_gives_a_rate_that_no_generation_has_and_what_is_unknown() -> None:
    assert str(RateAndLanes(generation=4, lanes=4)) == "gen4 x4"
    assert str(RateAndLanes(generation=None, lanes=None)) == "gen? x?"
    assert str(RateAndLanes(generation=None, lanes=2, gt_s=12.5)) == "12.5GT/s x2"


def test_each_position_hangs_on_the_nearest_shown_one_above_it() -> None:
    build = declare('[[position]]\nlabel = "lost"\npath = "0000:00/1c.0/00.0/02.0"')
    tree = arrange_tree(list_positions(build, make_snapshot()))
    below = {above: [position.path for position in positions] for above, positions in tree.items()}
    assert below == {
        "0000:00": ["0000:00/01.1", "0000:00/01.2", "0000:00/02.1", "0000:00/1c.0/00.0/02.0"],
        "0000:00/02.1": ["0000:00/02.1/00.0"],
        "0000:00/02.1/00.0": ["0000:00/02.1/00.0/00.0"],
    }
