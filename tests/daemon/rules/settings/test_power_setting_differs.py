"""power-setting-differs: the kernel's settings and what is in force in each position."""

import pytest

from boxes.simulated_past import past_of_boots
from boxes.snapshot_box import L0S, L1, RISER_1, Box, declare_risers, kelp_box, one_drive
from laneproof.findings import Finding, Kind
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.settings.power_setting_differs import POWER_SETTING_DIFFERS
from laneproof_collectors.snapshot import AutonomousTransitions, Setting
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example
from support.rule_examples import judge as judge_box

PATH, SECOND = "0000:00/01.1", "0000:00/01.2"
UNREAD = Unread("/proc/cmdline", "permission denied")
POLICY = 'aspm_policy = "performance"\n'
POWERSAVE = Setting(value="powersave", origin="module-option")
ON = Setting(value="on", origin="sysfs")
OFF_BY_WORD = Setting(value="off", origin="command-line")
LATENCY = "nvme_default_ps_max_latency_us = 0"
IDLE = {"autonomous_transitions": AutonomousTransitions(enabled=True, transitions={0: (3, 500)})}
LINKS_OFF = 'links_aspm = "off"\n'


def judge(kernel: str, box: Box, past: Past = NO_PAST, *, positions: int = 1, accept: str = "") -> list[Finding]:
    return judge_box(POWER_SETTING_DIFFERS, f"{declare_risers(positions)}[kernel]\n{kernel}\n{accept}", box, past)


def judge_three(kernel: str, accept: str = "", **power: Setting) -> list[Finding]:
    """Judge three drives that idle by themselves on links with L1 below sleeping ports; the kernel has its defaults."""
    box = Box()
    for path in (PATH, SECOND, "0000:00/01.3"):
        box.with_port(path, aspm=L1, asleep=True).with_drive(path, aspm=L1, controller=IDLE)
    settings = {name: Setting(value="default", origin="default") for name in ("aspm_policy", "nvme_max_latency_us")}
    settings["port_power_management"] = Setting(value="on", origin="default")
    return judge(kernel, box.with_power(**{"command_line": ("ro",)} | settings | power), positions=3, accept=accept)


# --- the command line -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "words", "observed"),
    [
        ("pcie_aspm=off", ("ro", "pcie_aspm=off"), None),
        ("pcie_aspm=off", ("ro",), "not there"),
        ("pcie_aspm=off", ("ro", "pcie_aspm=force"), "pcie_aspm=force"),
        ("nvme-core.default_ps_max_latency_us=0", ("nvme_core.default-ps-max-latency-us=0",), None),
        ("quiet", ("quietly",), "not there"),
    ],
)
def test_words_that_must_be_on_the_command_line(wanted: str, words: tuple[str, ...], observed: str | None) -> None:
    findings = judge(f'command_line = ["{wanted}"]', kelp_box(1).with_power(command_line=words))
    assert [finding.observed for finding in findings] == ([observed] if observed else [])


def test_each_missing_word_is_a_finding_of_its_own() -> None:
    findings = judge('command_line = ["a=1", "b=2"]', kelp_box(1))
    assert [finding.identity[1] for finding in findings] == ["command line: a=1", "command line: b=2"]


# --- settings in force ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kernel", "fact", "setting", "outcome"),
    [
        (POLICY, "aspm_policy", Setting(value="performance", origin="sysfs"), None),
        (POLICY, "aspm_policy", POWERSAVE, "powersave (from a module option in modprobe.d)"),
        (POLICY, "aspm_policy", None, "no ASPM in this kernel"),
        (POLICY, "aspm_policy", UNREAD, Kind.UNVERIFIED),
        (LATENCY, "nvme_max_latency_us", Setting(value="0", origin="command-line"), None),
        (LATENCY, "nvme_max_latency_us", Setting(value="5500", origin="default"), "5500 (the kernel's default)"),
        (LATENCY, "nvme_max_latency_us", None, Kind.UNVERIFIED),  # the driver is not loaded, so nothing is in force
        (LATENCY, "nvme_max_latency_us", UNREAD, Kind.UNVERIFIED),
        ('port_power_management = "off"', "port_power_management", OFF_BY_WORD, None),
        ('port_power_management = "off"', "port_power_management", ON, "on (set while running)"),
        ('port_power_management = "on"', "port_power_management", OFF_BY_WORD, "off (from the kernel's command line)"),
        ('port_power_management = "on"', "port_power_management", ON, None),
        ('port_power_management = "on"', "port_power_management", UNREAD, Kind.UNVERIFIED),
        ('command_line = ["a=1"]', "command_line", UNREAD, Kind.UNVERIFIED),
    ],
)
def test_setting_in_force_is_compared_and_said_with_where_it_came_from(
    kernel: str, fact: str, setting: Setting | Unread | None, outcome: str | Kind | None
) -> None:
    findings = judge(kernel, kelp_box(1).with_power(**{fact: setting}))
    assert [finding.observed or finding.kind for finding in findings] == ([outcome] if outcome else [])
    assert all(finding.severity == ("notice" if outcome is Kind.UNVERIFIED else "warning") for finding in findings)


def test_unread_settings_as_a_whole_are_one_finding() -> None:
    kernel = 'command_line = ["a=1"]\naspm_policy = "performance"\nnvme_default_ps_max_latency_us = 0'
    findings = judge(kernel, kelp_box(1).with_group(power=UNREAD))
    assert [finding.kind for finding in findings] == [Kind.UNVERIFIED]


# --- positions --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("port", "drive", "observed"),
    [
        (0, 0, None),
        (L1, 0, "L1 at the port 0000:00:01.1"),
        (0, L0S, "L0s at the device 0000:01:00.0"),
        (L0S | L1, L1, "L0s and L1 at the port 0000:00:01.1, L1 at the device 0000:01:00.0"),
    ],
)
def test_links_declared_off_have_no_state_enabled_at_either_end(port: int, drive: int, observed: str | None) -> None:
    box = Box().with_port(PATH, aspm=port).with_drive(PATH, aspm=drive)
    findings = judge('links_aspm = "off"', box)
    assert [finding.observed for finding in findings] == ([observed] if observed else [])
    assert all(finding.position == "riser-1" for finding in findings)


@pytest.mark.parametrize(("bits", "holds"), [(L1, True), (0, False)])
def test_links_declared_on_have_a_state_enabled(bits: int, holds: bool) -> None:
    box = Box().with_port(PATH, aspm=bits).with_drive(PATH, aspm=bits)
    assert (judge('links_aspm = "on"', box) == []) == holds


def test_links_without_any_such_state_cannot_be_on_and_say_so() -> None:
    box = Box().with_port(PATH, registers={"aspm_supported": 0}).with_drive(PATH)
    (finding,) = judge('links_aspm = "on"', box)
    assert "share no such state" in finding.summary


def test_one_position_has_one_finding_for_all_its_settings() -> None:
    box = Box().with_port(PATH, aspm=L1).with_drive(PATH, controller=IDLE)
    (finding,) = judge('links_aspm = "off"\nnvme_default_ps_max_latency_us = 0', box)
    assert finding.evidence["settings"] == ["links_aspm", "nvme_default_ps_max_latency_us"]


def test_port_asleep_against_the_plan_is_reported_at_its_position() -> None:
    box = Box().with_port(PATH, asleep=True).with_drive(PATH)
    box.with_power(port_power_management=OFF_BY_WORD)
    (finding,) = judge('port_power_management = "off"', box)
    assert finding.position == "riser-1"
    assert "sleeps" in finding.summary


WORD = 'command_line = ["nvme-core.default_ps_max_latency_us=0"]\n'


@pytest.mark.parametrize(
    ("kernel", "known_by"),
    [
        (POLICY + LINKS_OFF, ["aspm_policy"]),
        (LINKS_OFF, ["links_aspm"]),
        (LATENCY, ["nvme_default_ps_max_latency_us"]),
        ('port_power_management = "off"', ["port_power_management"]),
    ],
)
def test_setting_that_drives_share_is_one_finding_that_names_them(kernel: str, known_by: list[str]) -> None:
    findings = judge_three(kernel)
    assert [finding.identity[1] for finding in findings] == known_by
    for finding in findings:
        assert finding.shared_by == ("riser-1", "riser-2", "riser-3")
        assert "it shows at riser-1, riser-2, riser-3 (riser-1: " in finding.summary


def test_missing_word_is_one_finding_that_names_the_drives() -> None:
    (finding,) = judge_three(WORD + LATENCY, nvme_max_latency_us=Setting(value="0", origin="sysfs"))
    assert finding.identity[1] == "command line: nvme-core.default_ps_max_latency_us=0"
    assert finding.shared_by == ("riser-1", "riser-2", "riser-3")


def test_setting_of_one_drive_alone_of_a_sleeping_port_or_an_accepted_one_stays_with_its_position() -> None:
    alone = Box().with_port(PATH, aspm=L1).with_drive(PATH).with_port(SECOND).with_drive(SECOND)
    assert [finding.identity[1] for finding in judge(LINKS_OFF, alone, positions=2)] == ["riser-1"]
    accepted = '[[accept]]\nrule = "power-setting-differs"\nposition = "riser-2"\nbecause = "x"\n'
    assert [finding.identity[1] for finding in judge_three(LINKS_OFF, accepted)] == ["links_aspm", "riser-2"]
    asleep = judge_three('port_power_management = "off"', port_power_management=OFF_BY_WORD)
    assert [finding.identity[1] for finding in asleep] == ["riser-1", "riser-2", "riser-3"]


def test_empty_positions_have_no_settings() -> None:
    assert judge('links_aspm = "off"', Box().with_port(PATH, aspm=L1)) == []


def test_aspm_switched_on_with_another_bios_is_a_firmware_setting() -> None:
    boots = (Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),)
    for before, causes in ((0, ["firmware-setting"]), (L1, [])):
        limits = LinkLimits(boot_id="old", target_gt_s=16.0, capable_gt_s=16.0, capable_lanes=4, aspm_enabled=before)
        box = Box().with_port(PATH, aspm=L1).with_drive(PATH)
        (finding,) = judge(LINKS_OFF, box, past_of_boots(boots, {PATH: limits}))
        assert [cause.cause for cause in finding.causes] == causes


def test_nothing_declared_and_nothing_contradictory_is_silent() -> None:
    assert judge_box(POWER_SETTING_DIFFERS, None, kelp_box()) == []


def two_that_idle() -> Box:
    idle = IDLE | {"latency_tolerance_us": 100_000}
    return one_drive(controller=idle).with_port(SECOND).with_drive(SECOND, controller=idle)


def test_examples() -> None:
    check_examples(
        POWER_SETTING_DIFFERS,
        f"{RISER_1}[kernel]\n{LINKS_OFF}{LATENCY}",
        example(one_drive()),
        example(Box().with_port(PATH, aspm=L1).with_drive(PATH), "warning nvme0 | With the kernel in"),
        example(
            one_drive().with_power(nvme_max_latency_us=Setting(value="100000", origin="default")),
            "warning nvme_default_ps_max_latency_us | Set",
        ),
        example(
            two_that_idle().with_power(nvme_max_latency_us=Setting(value="100000", origin="default")),
            "warning nvme_default_ps_max_latency_us | Set",
            build=declare_risers(2) + f"kernel = {{ {LATENCY} }}",
        ),
        example(
            one_drive().with_power(nvme_max_latency_us=Setting(value="5500", origin="sysfs")),
            "notice nvme_default_ps_max_latency_us | Set",
            build=None,
        ),
    )
