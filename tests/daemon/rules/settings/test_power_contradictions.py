"""Power settings that contradict themselves, where none is declared."""

from typing import Any

import pytest

from boxes.snapshot_box import L1, Box, declare, kelp_box
from laneproof.box.placement import Arrangement
from laneproof.rules.settings.power_contradictions import Contradiction, find_contradictions
from laneproof_collectors.snapshot import AutonomousTransitions, Setting
from laneproof_collectors.unread import Unread

PATH, SECOND = "0000:00/01.1", "0000:00/01.2"
GAP = Unread("x", "denied")
DEFAULT = Setting(value="default", origin="default")
SETTING = "nvme_default_ps_max_latency_us"
HAS_L1 = "low-power link states are enabled: nvme0 has L1"
ASKED_OFF = "the command line asks for pcie_aspm=off (which leaves links as the firmware set them)"
LATENCY = "nvme_core.default_ps_max_latency_us"
IDLES = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})


def find(box: Box, kernel: str = "") -> list[Contradiction]:
    build = declare(kernel)
    return list(find_contradictions(build.kernel, Arrangement(build, box.snapshot())))


def with_l1(**power: Any) -> Box:
    return Box().with_port(PATH, aspm=L1).with_drive(PATH).with_power(**power)


@pytest.mark.parametrize(
    "box",
    [
        pytest.param(kelp_box(), id="sound"),
        pytest.param(
            kelp_box().with_power(
                command_line=(f"{LATENCY}=0x10",), nvme_max_latency_us=Setting(value="16", origin="command-line")
            ),
            id="numbers are compared as the kernel reads them",
        ),
        pytest.param(kelp_box().with_power(command_line=(f"{LATENCY}=5500", f"{LATENCY}=0")), id="the last word"),
        pytest.param(with_l1(aspm_policy=DEFAULT), id="the default policy asks for nothing"),
        pytest.param(kelp_box().with_group(power=GAP), id="unread as a whole"),
        pytest.param(
            kelp_box().with_power(command_line=GAP, nvme_max_latency_us=GAP, aspm_policy=GAP), id="unread one by one"
        ),
    ],
)
def test_what_is_in_force_or_not_known_contradicts_nothing(box: Box) -> None:
    assert find(box) == []


def test_declared_settings_are_compared_with_the_declaration_instead() -> None:
    box = with_l1().with_port(SECOND).with_drive(SECOND, controller={"autonomous_transitions": IDLES})
    assert len(find(box)) == 2
    assert find(box, 'kernel = { links_aspm = "off", nvme_default_ps_max_latency_us = 0 }') == []


@pytest.mark.parametrize(
    ("box", "expected"),
    [
        (
            kelp_box().with_power(nvme_max_latency_us=Setting(value="100000", origin="sysfs")),
            Contradiction(SETTING, f"the command line asks for {LATENCY}=0", "100000 is in force"),
        ),
        (
            kelp_box(1).with_port(SECOND).with_drive(SECOND, controller={"autonomous_transitions": IDLES}),
            Contradiction(SETTING, f"{LATENCY} is 0", "nvme1 still enters idle states by itself", ("nvme1",)),
        ),
        (with_l1(), Contradiction("links_aspm", "the ASPM policy is performance", HAS_L1, ("nvme0",))),
        (
            with_l1(aspm_policy=DEFAULT, aspm_forced_off=True),
            Contradiction("links_aspm", ASKED_OFF, HAS_L1, ("nvme0",)),
        ),
    ],
)
def test_what_is_asked_for_and_not_in_force_is_found_with_where(box: Box, expected: Contradiction) -> None:
    assert find(box) == [expected]
