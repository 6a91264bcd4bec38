"""Idle states in force: the drive's own word before the kernel's, the registers before the policy."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import L1, Box, make_controller, one_drive
from laneproof.box.idle_states import IdleStates, enters_idle_states, find_idle_states
from laneproof.box.topology import topology_of
from laneproof_collectors.snapshot import AutonomousTransitions, Setting
from laneproof_collectors.unread import Unread

PATH = "0000:00/01.1"
GAP = Unread("it", "denied")
ON = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})
OFF = AutonomousTransitions(enabled=False, transitions={})


def view(box: Box) -> IdleStates:
    snapshot = box.snapshot()
    tree = topology_of(snapshot)
    return find_idle_states(snapshot, tree.link_at(PATH), next(iter(tree.controllers.values())))


@pytest.mark.parametrize(
    ("controller", "default", "expected"),
    [
        ({"autonomous_transitions": ON}, "0", True),
        ({"autonomous_transitions": OFF}, "100000", False),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": 25000}, "0", True),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": GAP}, "0", False),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": "auto"}, "100000", True),
    ],
)
def test_the_drives_own_feature_comes_first(controller: dict[str, object], default: str, expected: bool) -> None:
    box = one_drive(controller=controller).with_power(nvme_max_latency_us=Setting(value=default, origin="sysfs"))
    assert view(box).drive is expected


@pytest.mark.parametrize("tolerance", [GAP, None])  # None: no such file, as where the kernel has no files of power
def test_nothing_known_is_not_off(tolerance: Unread | None) -> None:
    box = one_drive(controller={"autonomous_transitions": GAP, "latency_tolerance_us": tolerance})
    assert view(box.with_power(nvme_max_latency_us=GAP)).drive is None


@pytest.mark.parametrize(
    ("facts", "idles"),
    [
        ({"autonomous_transitions": OFF}, False),
        ({"autonomous_transitions": ON}, True),
        ({"autonomous_transitions": None}, False),
        ({"autonomous_transitions": AutonomousTransitions(enabled=True, transitions={})}, False),
        ({"autonomous_transitions": AutonomousTransitions(enabled=True, transitions={3: (0, 5)})}, False),
        ({"autonomous_transitions": ON, "identity": GAP}, True),
        ({"autonomous_transitions": OFF, "latency_tolerance_us": "any"}, False),  # the drive itself says no
        ({"autonomous_transitions": GAP, "latency_tolerance_us": 0}, False),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": None}, False),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": 100000}, True),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": "any"}, True),
        ({"autonomous_transitions": GAP, "latency_tolerance_us": GAP}, GAP),
    ],
)
def test_whether_a_drive_enters_idle_states_by_itself(facts: dict[str, Any], idles: bool | Unread) -> None:
    drive = make_controller(0, model="M", serial="S", size_bytes=1, firmware="1")
    assert enters_idle_states(replace(drive, **facts)) == idles


def test_a_drive_that_names_no_idle_state_enters_those_that_it_goes_to() -> None:
    drive = make_controller(0, model="M", serial="S", size_bytes=1, firmware="1")
    assert not isinstance(drive.identity, Unread)
    operational = replace(drive.identity, power_states=drive.identity.power_states[:1])
    assert enters_idle_states(replace(drive, identity=operational, autonomous_transitions=ON)) is True


def test_a_link_state_at_either_end_counts() -> None:
    assert view(Box().with_port(PATH, aspm=L1).with_drive(PATH)).link is True
    assert view(one_drive()).link is False


@pytest.mark.parametrize(("policy", "expected"), [("performance", False), ("powersave", True), ("default", None)])
def test_without_registers_sysfs_gives_and_then_the_policy(policy: str, expected: bool | None) -> None:
    box = one_drive().without_registers()
    assert view(box).link is False  # link/l1_aspm reads 0
    box.edit(f"{PATH}/00.0", lambda function: replace(function, power=replace(function.power, link_states={})))
    assert view(box.with_power(aspm_policy=Setting(value=policy, origin="sysfs"))).link is expected


@pytest.mark.parametrize(
    ("drive_on", "link_on", "expected"),
    [
        (True, None, True),
        (None, True, True),
        (False, False, False),
        (False, None, None),
        (None, None, None),
        (True, False, True),
    ],
)
def test_off_is_only_where_both_are_known_to_be(
    drive_on: bool | None, link_on: bool | None, expected: bool | None
) -> None:
    assert IdleStates(drive=drive_on, link=link_on).on is expected
