"""A link seen from both its ends, by registers and by sysfs."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import Box
from laneproof.box.link_ends import Link
from laneproof.box.topology import topology_of
from laneproof_collectors.snapshot import ExpressRegisters, LinkRegisters, PciFunction
from laneproof_collectors.unread import Unread

PORT, DEVICE = "0000:00/01.1", "0000:00/01.1/00.0"
UNKNOWN = Unread("current_link_speed", "not a link speed: b'Unknown'")


def box() -> Box:
    return Box().with_port(PORT, gen=4, lanes=4).with_drive(PORT, gen=3, lanes=2)


def link_of(made: Box) -> Link:
    link = topology_of(made.snapshot()).link_at(PORT)
    assert link is not None
    return link


def sysfs(one: PciFunction, **fields: Any) -> PciFunction:
    return replace(one, link=replace(one.link, **fields))


def registers(one: PciFunction, **fields: Any) -> PciFunction:
    assert isinstance(one.express, ExpressRegisters)
    assert isinstance(one.express.link, LinkRegisters)
    return replace(one, express=replace(one.express, link=replace(one.express.link, **fields)))


def test_all_four_witnesses_are_heard() -> None:
    link = link_of(box())
    heard = [(who, 2) for who in ("port registers", "port in sysfs", "device registers", "device in sysfs")]
    assert (list(link.trained_lanes.witnesses), link.trained_lanes.agreed) == (heard, True)
    assert (link.port_gt_s.value, link.device_gt_s.value, link.capable_gt_s) == (16.0, 8.0, 8.0)
    assert (link.port_lanes.value, link.device_lanes.value, link.capable_lanes) == (4, 2, 2)


def test_without_registers_sysfs_gives() -> None:
    link = link_of(box().without_registers())
    assert (link.trained_gt_s.value, link.trained_lanes.value) == (8.0, 2)
    assert link.target_gt_s is None


@pytest.mark.parametrize("odd", [0, 63, UNKNOWN])
def test_width_that_cannot_be_is_no_witness(odd: int | Unread) -> None:
    found = link_of(box().edit(PORT, lambda one: registers(sysfs(one, trained_lanes=odd), trained_lanes=odd)))
    assert dict(found.trained_lanes.witnesses) == {"device registers": 2, "device in sysfs": 2}
    assert found.trained_lanes.value == 2


def test_rate_that_no_end_gives_is_unread() -> None:
    made = box()
    for path in (PORT, DEVICE):
        made.edit(path, lambda one: registers(sysfs(one, trained_gt_s=UNKNOWN), trained_gt_s=UNKNOWN))
    assert link_of(made).trained_gt_s.value is UNKNOWN


def test_width_zero_at_both_ends_is_unread_and_says_who_reported_it() -> None:
    made = box().without_registers()
    for path in (PORT, DEVICE):
        made.edit(path, lambda one: sysfs(one, trained_lanes=0))
    value = link_of(made).trained_lanes.value
    assert isinstance(value, Unread)
    assert "port in sysfs say 0" in value.why


def test_when_witnesses_differ_the_least_stands_and_all_stay_visible() -> None:
    found = link_of(box().edit(DEVICE, lambda one: sysfs(one, trained_lanes=1))).trained_lanes
    assert (found.value, found.most, found.agreed) == (1, 2, False)


def test_device_that_is_gone_from_the_bus_is_no_witness() -> None:
    found = link_of(box().edit(DEVICE, lambda one: replace(one, answers=False))).trained_gt_s
    assert {who for who, _ in found.witnesses} == {"port registers", "port in sysfs"}


def test_unread_capability_leaves_the_lesser_open() -> None:
    made = box().without_registers().edit(PORT, lambda one: sysfs(one, capable_gt_s=UNKNOWN))
    assert link_of(made).capable_gt_s is UNKNOWN


def test_target_rate_is_the_ports() -> None:
    assert link_of(Box().with_port(PORT, target=1).with_drive(PORT)).target_gt_s == 2.5


def test_device_without_a_link_has_none() -> None:
    made = Box().with_drive("0000:00/05.0")
    made.edit("0000:00/05.0", lambda one: replace(sysfs(one, trained_lanes=None, capable_lanes=None), express=None))
    assert topology_of(made.snapshot()).link_at("0000:00/05.0") is None
