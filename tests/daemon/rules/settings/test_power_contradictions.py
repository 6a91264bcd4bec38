"""Power settings that contradict themselves, where none is declared."""

from laneproof.box.placement import Arrangement
from laneproof.rules.settings.power_contradictions import Contradiction, find_contradictions
from laneproof_collectors.snapshot import AutonomousTransitions, Setting
from laneproof_collectors.unread import Unread
from snapshot_box import L1, Box, declare, kelp_box

PATH = "0000:00/01.1"
LATENCY = "nvme_core.default_ps_max_latency_us"
IDLES = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})


def find(box: Box, kernel: str = "") -> list[Contradiction]:
    build = declare(kernel)
    return list(find_contradictions(build.kernel, Arrangement(build, box.snapshot())))


def test_sound_box_contradicts_nothing() -> None:
    assert find(kelp_box()) == []


def test_asked_for_on_the_command_line_but_not_in_force() -> None:
    (found,) = find(kelp_box().with_power(nvme_max_latency_us=Setting(value="100000", origin="sysfs")))
    assert (found.what, found.found) == ("nvme_default_ps_max_latency_us", "100000 is in force")


def test_numbers_are_compared_as_the_kernel_reads_them() -> None:
    box = kelp_box().with_power(
        command_line=(f"{LATENCY}=0x10",), nvme_max_latency_us=Setting(value="16", origin="command-line")
    )
    assert find(box) == []


def test_last_word_on_the_command_line_counts() -> None:
    box = kelp_box().with_power(command_line=(f"{LATENCY}=5500", f"{LATENCY}=0"))
    assert find(box) == []


def test_drive_that_idles_against_a_limit_of_zero() -> None:
    box = kelp_box(1).with_port("0000:00/01.2")
    box.with_drive("0000:00/01.2", controller={"autonomous_transitions": IDLES})
    (found,) = find(box)
    assert found.devices == ("nvme1",)


def test_policy_performance_with_states_enabled() -> None:
    box = Box().with_port(PATH, aspm=L1).with_drive(PATH)
    (found,) = find(box)
    assert found.what == "links_aspm"
    assert "nvme0 has L1" in found.found


def test_aspm_off_leaves_what_the_firmware_enabled() -> None:
    box = Box().with_port(PATH, aspm=L1).with_drive(PATH)
    box.with_power(aspm_policy=Setting(value="default", origin="command-line"), aspm_forced_off=True)
    (found,) = find(box)
    assert "pcie_aspm=off" in found.asked


def test_default_policy_asks_for_nothing() -> None:
    box = Box().with_port(PATH, aspm=L1).with_drive(PATH)
    assert find(box.with_power(aspm_policy=Setting(value="default", origin="default"))) == []


def test_declared_settings_are_compared_with_the_declaration_instead() -> None:
    box = Box().with_port(PATH, aspm=L1).with_drive(PATH, controller={"autonomous_transitions": IDLES})
    assert find(box, 'kernel = { links_aspm = "off", nvme_default_ps_max_latency_us = 0 }') == []


def test_what_could_not_be_read_contradicts_nothing() -> None:
    gap = Unread("x", "denied")
    assert find(kelp_box().with_group(power=gap)) == []
    assert find(kelp_box().with_power(command_line=gap, nvme_max_latency_us=gap, aspm_policy=gap)) == []
