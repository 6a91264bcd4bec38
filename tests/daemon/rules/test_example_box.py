"""The make-believe box answers as a kernel would: addresses, links, empty ports."""

from laneproof_collectors.unread import Unread
from simulated_box import Box, kelp_box


def addresses(box: Box) -> dict[str, str]:
    functions = box.snapshot().functions
    assert isinstance(functions, tuple)
    return {one.own_path: one.address for one in functions}


def test_buses_are_numbered_below_each_bridge() -> None:
    box = Box().with_port("0000:00/01.2").with_switch("0000:00/01.2")
    box.with_port("0000:00/01.2/00.0/04.0").with_drive("0000:00/01.2/00.0/04.0")
    assert addresses(box) == {
        "0000:00/01.2": "0000:00:01.2",
        "0000:00/01.2/00.0": "0000:01:00.0",
        "0000:00/01.2/00.0/04.0": "0000:02:04.0",
        "0000:00/01.2/00.0/04.0/00.0": "0000:03:00.0",
    }


def test_unplugged_drive_leaves_its_port_and_takes_its_controller() -> None:
    snapshot = kelp_box(2).without("0000:00/01.2").snapshot()
    assert isinstance(snapshot.functions, tuple)
    assert isinstance(snapshot.controllers, tuple)
    assert [one.own_path for one in snapshot.functions] == ["0000:00/01.1", "0000:00/01.2", "0000:00/01.1/00.0"]
    assert [one.name for one in snapshot.controllers] == ["nvme0"]
    assert snapshot.functions[1].link.trained_lanes == 0


def test_without_registers_sysfs_still_tells() -> None:
    functions = kelp_box(1).without_registers().snapshot().functions
    assert isinstance(functions, tuple)
    assert all(isinstance(one.express, Unread) and one.link.trained_lanes == 4 for one in functions)
