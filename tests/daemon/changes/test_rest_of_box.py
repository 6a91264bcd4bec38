"""Arrays, memory and network between two snapshots."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from laneproof.box.inventory import make_inventory
from laneproof.changes import About, Comparison, What, compare
from laneproof_collectors.snapshot import ArrayMember
from laneproof_collectors.unread import Unread
from simulated_box import Box, kelp_box, make_array, make_bond, make_memory

DISKS = ("nvme0n1", "nvme1n1", "nvme2n1")


def look(before: Box, after: Box) -> Comparison:
    return compare(make_inventory(None, before.snapshot()), make_inventory(None, after.snapshot()))


def summaries(before: Box, after: Box) -> list[str]:
    return [f"{one.subject}: {one.summary}" for one in look(before, after).changes]


def array(**facts: object) -> Box:
    return kelp_box(3).with_array("md0", DISKS, **facts)


def members(*states: str) -> tuple[ArrayMember, ...]:
    def each() -> Iterator[ArrayMember]:
        for slot, (disk, state) in enumerate(zip(DISKS, states, strict=False)):
            yield ArrayMember(name=disk, disk=disk, state=state, slot=slot, errors=0)

    return tuple(each())


def test_array_that_came_or_went() -> None:
    assert summaries(kelp_box(3), array()) == ["md0: md array, raid5, 3 members is new"]
    assert summaries(array(), kelp_box(3)) == ["md0: md array, raid5, 3 members is gone"]


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ({"level": "raid0"}, "md0: level raid0, before raid5"),
        ({"size_bytes": 12_000_000_000_000}, "md0: holds 12 TB, before 8 TB"),
        ({"degraded": 1}, "md0: 1 missing, before whole"),
    ],
)
def test_array_that_is_otherwise(facts: dict[str, object], says: str) -> None:
    assert summaries(array(), array(**facts)) == [says]


def test_member_that_failed_left_and_is_named_by_position_and_serial() -> None:
    after = array(degraded=1, members=members("in_sync", "faulty", "in_sync"))
    assert summaries(array(), after) == [
        "md0: 1 missing, before whole",
        "md0: 0000:00/01.2 (serial FN0002) left",
    ]


def test_states_that_come_and_go_are_no_change() -> None:
    assert summaries(array(state="clean"), array(state="active", sync_action="check", sync_completed=0.4)) == []


def test_members_under_new_names_are_the_same() -> None:
    def box(order: tuple[int, ...]) -> Box:
        made = Box()
        for number in (1, 2, 3):
            made.with_port(f"0000:00/01.{number}")
        for number in order:
            made.with_drive(f"0000:00/01.{number}", serial=f"S{number}")
        names = {number: f"nvme{at}n1" for at, number in enumerate(order)}
        return made.with_array("md0", tuple(names[number] for number in (1, 2, 3)))

    assert look(box((1, 2, 3)), box((3, 1, 2))).changes == ()


def test_memory_modules_that_came_went_or_were_exchanged() -> None:
    two = kelp_box(1).with_memory("32 GiB", "32 GiB")
    assert summaries(two, kelp_box(1).with_memory("32 GiB")) == ["DIMM 2: a module of 32 GiB (SK32) is gone"]
    assert summaries(kelp_box(1).with_memory("32 GiB"), two) == ["DIMM 2: a module of 32 GiB (SK32) is new here"]
    assert summaries(two, kelp_box(1).with_memory("32 GiB", "16 GiB")) == [
        "DIMM 2: a module of 16 GiB (SK32) is here now, before a module of 32 GiB (SK32)"
    ]


def test_memory_rate_is_one_change_for_all_modules() -> None:
    slow = kelp_box(1).with_memory("32 GiB", "32 GiB", configured_mt_s=4800)
    (change,) = look(kelp_box(1).with_memory("32 GiB", "32 GiB"), slow).changes
    assert (change.what, change.about) == (What.SETTING, About.MEMORY)
    assert change.summary == "runs at 4800 MT/s, before 5600 MT/s (DIMM 1, DIMM 2)"


def test_memory_without_tables_is_compared_by_its_total_to_one_percent() -> None:
    def box(total: int) -> Box:
        return kelp_box(1).with_group(memory=replace(make_memory(), modules=Unread("DMI", "denied"), total_bytes=total))

    assert summaries(box(64 << 30), box((64 << 30) - 4096)) == []
    assert summaries(box(64 << 30), box(32 << 30)) == ["memory: 32 GiB, before 64 GiB"]


def network(**facts: object) -> Box:
    name = str(facts.pop("name", "enp3s0"))
    return Box().with_port("0000:00/03.0").with_network("0000:00/03.0", name, **facts)


def test_speed_of_an_interface() -> None:
    assert summaries(network(), network(speed=1000)) == ["enp3s0: 1000 Mbit/s, before 10000 Mbit/s"]


def test_interface_that_is_down_has_no_speed_to_compare() -> None:
    assert summaries(network(), network(speed=None)) == []


def test_interface_that_got_another_name() -> None:
    assert summaries(network(), network(name="eth0")) == [
        "interface at 0000:00/03.0/00.0: is called eth0 now, before enp3s0"
    ]


def test_bond_that_lost_a_member() -> None:
    before = kelp_box(1).with_group(bonds=(make_bond("bond0", ("a", "b")),))
    after = kelp_box(1).with_group(bonds=(make_bond("bond0", ("a",)),))
    assert summaries(before, after) == ["bond0: bond in mode 802.3ad of a, before bond in mode 802.3ad of a, b"]
    assert summaries(kelp_box(1), after) == ["bond0: bond in mode 802.3ad of a is new"]
    assert summaries(after, kelp_box(1)) == ["bond0: bond in mode 802.3ad of a is gone"]


def test_array_of_a_group_that_was_not_read_did_not_go() -> None:
    after = kelp_box(3).with_group(arrays=Unread("arrays", "denied"))
    comparison = look(kelp_box(3).with_group(arrays=(make_array("md0", DISKS),)), after)
    assert comparison.changes == ()
    assert comparison.verdict == "unverified"
