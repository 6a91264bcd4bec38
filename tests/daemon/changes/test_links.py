"""Ports and links: what a setting explains goes with it, what nothing explains stands alone, a split is one change."""

from laneproof.box.inventory import make_inventory
from laneproof.changes import About, Change, Comparison, What, compare
from simulated_box import L0S, L1, Box, declare

PATHS = [f"0000:00/01.{n}" for n in (1, 2, 3, 4)]
BUILD = declare("".join(f'[[position]]\nlabel = "riser-{n}"\npath = "0000:00/01.{n}"\n' for n in (1, 2, 3, 4)))


def riser(lanes: int = 4, **knobs: object) -> Box:
    box = Box()
    for number, path in enumerate(PATHS):
        box.with_port(path, lanes=lanes, **knobs).with_drive(path, serial=f"S{number}")
    return box


def one_port(*, serial: str = "S0", **knobs: object) -> Box:
    return Box().with_port(PATHS[0], **knobs).with_drive(PATHS[0], serial=serial)


def look(before: Box, after: Box) -> Comparison:
    return compare(make_inventory(BUILD, before.snapshot()), make_inventory(BUILD, after.snapshot()))


def only(comparison: Comparison) -> Change:
    (one,) = comparison.changes
    return one


def test_narrower_link_without_a_reason_at_its_port_stands_alone() -> None:
    change = only(look(one_port(), one_port(trained=(4, 2))))
    assert (change.what, change.about, change.subject) == (What.RETRAINED, About.LINK, "riser-1")
    assert change.summary == "trained gen4 x2, before gen4 x4; both ends can do gen4 x4"


def test_link_that_got_better_again_is_reported_too() -> None:
    change = only(look(one_port(trained=(3, 4)), one_port()))
    assert change.summary == "trained gen4 x4, before gen3 x4"


def test_lower_target_rate_explains_the_slower_link() -> None:
    change = only(look(one_port(), one_port(target=3)))
    assert (change.what, change.about) == (What.SETTING, About.SETTING)
    assert change.summary == "target rate 8 GT/s (generation 3), before 16 GT/s (generation 4)"
    assert [(detail.before, detail.after) for detail in change.details] == [("gen4 x4", "gen3 x4")]


def test_target_rate_does_not_explain_fewer_lanes() -> None:
    comparison = look(one_port(), one_port(target=3, trained=(3, 2)))
    assert [change.what for change in comparison.changes] == [What.RETRAINED, What.SETTING]
    assert all(change.details == () for change in comparison.changes)


def test_port_that_can_do_less_explains_rate_and_lanes() -> None:
    comparison = look(one_port(), one_port(gen=3, lanes=2))
    assert [change.what for change in comparison.changes] == [
        What.SETTING
    ] * 3  # highest rate, lanes, and the target with it
    assert sum(len(change.details) for change in comparison.changes) == 1


def test_same_setting_at_many_ports_is_one_change() -> None:
    change = only(look(riser(), riser(aspm=L1)))
    assert change.subject == "riser-1, riser-2, riser-3 and riser-4"
    assert change.summary == "low-power link states (ASPM) at the port L1, before off"


def test_settings_that_differ_from_port_to_port_are_kept_apart() -> None:
    after = Box().with_port(PATHS[0], aspm=L1).with_drive(PATHS[0], serial="S0")
    after.with_port(PATHS[1], aspm=L0S).with_drive(PATHS[1], serial="S1")
    before = Box().with_port(PATHS[0]).with_drive(PATHS[0], serial="S0")
    before.with_port(PATHS[1]).with_drive(PATHS[1], serial="S1")
    assert len(look(before, after).changes) == 2


def test_slot_that_is_not_split_any_more_is_one_change_with_the_drives_that_went() -> None:
    whole = Box().with_port(PATHS[0], lanes=16).with_drive(PATHS[0], serial="S0")
    change = only(look(riser(), whole))
    assert change.subject == "slot at 0000:00/01"
    assert change.summary == "ports x16, before x4 x4 x4 x4 (riser-1, riser-2, riser-3, riser-4)"
    assert [(one.what, one.subject) for one in change.details] == [
        (What.WENT, "riser-2"),
        (What.WENT, "riser-3"),
        (What.WENT, "riser-4"),
    ]


def test_slot_that_is_split_again_brings_its_drives_back() -> None:
    whole = Box().with_port(PATHS[0], lanes=16).with_drive(PATHS[0], serial="S0")
    assert [change.what for change in only(look(whole, riser())).details] == [What.APPEARED] * 3


def test_drive_that_is_pulled_from_a_split_slot_is_no_matter_of_the_split() -> None:
    assert [change.what for change in look(riser(), riser().without(PATHS[2])).changes] == [What.WENT]


def test_registers_that_one_snapshot_could_not_read_make_no_change() -> None:
    assert look(riser(), riser().without_registers()).changes == ()
    assert look(riser().without_registers(), riser()).changes == ()


def test_link_of_a_drive_that_was_replaced_goes_with_the_replacement() -> None:
    change = only(look(one_port(), one_port(serial="S9", trained=(3, 4))))
    assert change.what is What.REPLACED
    assert [(detail.before, detail.after) for detail in change.details] == [("gen4 x4", "gen3 x4")]


def test_uplink_of_a_switch_card_is_compared_though_nothing_is_in_it() -> None:
    def card(**knobs: object) -> Box:
        box = Box().with_port("0000:00/02.1", **knobs).with_switch("0000:00/02.1")
        return box.with_port("0000:00/02.1/00.0/00.0").with_drive("0000:00/02.1/00.0/00.0", serial="S1")

    change = only(look(card(), card(trained=(4, 1))))
    assert (change.subject, change.after) == ("0000:00/02.1", "gen4 x1")
