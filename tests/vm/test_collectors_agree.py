"""What the collectors read on a real kernel, held field by field against lspci, smartctl and sysfs of the same boot.

Emulation is odd in places (a link that trained above what its port says it can): odd values must come through as such.
"""

import re
from typing import Any

import pytest

from support.unread_answers import known
from vm.boot import Boot
from vm.boxes import SPLIT_PORT, SPLIT_SLOT
from vm.lspci import Listed

pytestmark = pytest.mark.vm

Facts = dict[str, Any]

PORT_TYPES = {"Endpoint": 0, "Root Port": 4, "Upstream Port": 5, "Downstream Port": 6}
"""Device/Port Type. Source: pci_regs.h, ``PCI_EXP_TYPE_*``."""

CORRECTABLE_BITS = {"RxErr": 0, "BadTLP": 6, "BadDLLP": 7, "Rollover": 8, "Timeout": 12, "AdvNonFatalErr": 13}
"""lspci's names. Source: pci_regs.h, ``PCI_ERR_COR_*``."""


@pytest.fixture(scope="module")
def functions(facts: Facts) -> dict[str, Facts]:
    return {function["address"]: function for function in facts["functions"]}


@pytest.fixture(scope="module")
def express(functions: dict[str, Facts]) -> dict[str, Facts]:
    """Give the PCI Express registers of the functions that have them."""
    return {address: one["express"] for address, one in functions.items() if one["express"] is not None}


@pytest.fixture(scope="module")
def controllers(facts: Facts) -> dict[str, Facts]:
    return {controller["serial"]: controller for controller in facts["controllers"]}


def _bits(listed: Listed, block: str, bits: dict[str, int]) -> int:
    return sum(1 << bit for name, bit in bits.items() if listed.flag(block, name))


def _rate(text: str | None) -> float | None:
    """Read a rate as sysfs and lspci write it; `None` where they write that it is unknown."""
    found = re.match(r"([\d.]+) ?GT/s", text or "")
    return float(found[1]) if found else None


def _is_unread(value: object) -> bool:
    return isinstance(value, dict) and "unread" in value


def test_the_functions_are_those_that_lspci_lists(functions: dict[str, Facts], listed: dict[str, Listed]) -> None:
    assert sorted(functions) == sorted(listed)


def test_class_and_identity_agree_with_lspci(functions: dict[str, Facts], listed: dict[str, Listed]) -> None:
    for address, one in functions.items():
        other = listed[address]
        assert one["class_code"] >> 8 == other.class_code
        assert (one["vendor_id"], one["device_id"]) == (other.vendor_id, other.device_id)


def test_names_and_drivers_agree_with_lspci(functions: dict[str, Facts], listed: dict[str, Listed]) -> None:
    for address, one in functions.items():
        assert f"{one['vendor_name']} {one['device_name']}" == listed[address].name
        assert (one["driver"] or "") == listed[address].blocks.get("Kernel driver in use", "").strip()


def test_paths_follow_the_tree_of_sysfs(facts: Facts, functions: dict[str, Facts], look: Facts) -> None:
    for address in functions:
        root, *functions_above = look["sysfs"][address]["place"].removeprefix("/sys/devices/pci").split("/")
        hops = [function.split(":", 2)[2] for function in functions_above]
        assert facts["paths"][address] == ["/".join([root, *hops]), "/".join([root, *(hops[:-1] or hops)])]


def test_both_accounts_of_a_link_agree_with_sysfs_and_lspci(
    functions: dict[str, Facts], listed: dict[str, Listed], look: Facts
) -> None:
    compared = 0
    for address, one in functions.items():
        link, raw = one["link"], look["sysfs"][address]
        for key, name in (("trained", "current"), ("capable", "max")):
            rate, lanes = link[f"{key}_gt_s"], link[f"{key}_lanes"]
            if raw[f"{name}_link_speed"] is None:
                assert (rate, lanes) == (None, None)
                continue
            compared += 1
            expected = _rate(raw[f"{name}_link_speed"])
            assert rate == expected if expected else _is_unread(rate)
            block = listed[address].words("LnkSta" if key == "trained" else "LnkCap", r"(Speed .*?Width x\d+)")
            width = int(block.rsplit("x", 1)[1])
            assert lanes == width or (width == 0 and _is_unread(lanes))
            assert _rate(block.removeprefix("Speed ")) == expected
    assert compared == 2 * 11  # both ends of every link of the machine


def test_express_registers_agree_with_lspci(express: dict[str, Facts], listed: dict[str, Listed]) -> None:
    assert sorted(express) == sorted(address for address, one in listed.items() if "Express" in one.blocks)
    for address, one in express.items():
        other = listed[address]
        assert one["port_type"] == PORT_TYPES[other.words("Express", r" ?([A-Z][A-Za-z ]*?)(?: \(Slot[+-]\))?, ")]
        assert one["reports_correctable"] is other.flag("DevCtl", "CorrErr")


def test_slot_registers_agree_with_lspci(express: dict[str, Facts], listed: dict[str, Listed]) -> None:
    seen = []
    for address, one in express.items():
        other = listed[address]
        if "SltCap" not in other.blocks:
            assert one["slot"] is None
            continue
        slot = one["slot"]
        seen.append(slot["number"])
        assert slot["number"] == other.number("SltCap", r"Slot #(\d+)")
        assert slot["hot_plug_capable"] is other.flag("SltCap", "HotPlug")
    assert sorted(seen) == [0, 1, 1, 2, 3, 4]  # the switch card numbers its own slots


def test_link_registers_agree_with_lspci(express: dict[str, Facts], listed: dict[str, Listed]) -> None:
    for address, registers in express.items():
        one, other = registers["link"], listed[address]
        for key, block in (("capable", "LnkCap"), ("trained", "LnkSta")):
            rate = _rate(other.words(block, r"Speed ([^,]*?)(?: \(\w+\))?,"))
            assert one[f"{key}_gt_s"] == rate if rate else _is_unread(one[f"{key}_gt_s"])
            assert one[f"{key}_lanes"] == other.number(block, r"Width x(\d+)")
        assert one["bandwidth_management_status"] is other.flag("LnkSta", "BWMgmt")
        assert one["autonomous_bandwidth_status"] is other.flag("LnkSta", "ABWMgmt")


def test_low_power_link_states_agree_with_lspci(express: dict[str, Facts], listed: dict[str, Listed]) -> None:
    states = {"not supported": 0, "L0s": 1, "L1": 2, "L0s L1": 3}
    for address, registers in express.items():
        other = listed[address]
        assert registers["link"]["aspm_supported"] == states[other.words("LnkCap", r"ASPM ([^,]+)")]
        enabled = other.words("LnkCtl", r"ASPM ([^;]+);").removesuffix(" Enabled")
        assert registers["link"]["aspm_enabled"] == (0 if enabled == "Disabled" else states[enabled])


def test_target_rates_agree_with_lspci(express: dict[str, Facts], listed: dict[str, Listed]) -> None:
    for address, registers in express.items():
        one, other = registers["link"], listed[address]
        target = _rate(other.words("LnkCtl2", r"Target Link Speed: ([^,]+)"))
        if one["target_gt_s"] is None:
            # Code 0, which a function that knows no rate but 2.5 GT/s may have (PCI Express Base Specification,
            # Link Control 2 Register, Target Link Speed); lspci shows what it means. The emulated switch has it too,
            # though its ports say no capable rate at all.
            assert target == 2.5
            assert one["capable_gt_s"] == 2.5 or _is_unread(one["capable_gt_s"])
        else:
            assert one["target_gt_s"] == target


def test_error_masks_agree_with_lspci(functions: dict[str, Facts], listed: dict[str, Listed]) -> None:
    compared = 0
    for address, one in functions.items():
        other = listed[address]
        if "CEMsk" not in other.blocks:
            assert one["correctable_mask"] is None
            continue
        compared += 1
        shown = sum(1 << bit for bit in CORRECTABLE_BITS.values())
        assert one["correctable_mask"] & shown == _bits(other, "CEMsk", CORRECTABLE_BITS)
    assert compared == 7


def test_error_counters_agree_with_sysfs_after_errors(boot: Boot) -> None:
    counted = {function["address"]: function["aer"] for function in boot.facts("facts-aer")["functions"]}
    after = boot.facts("aer")["after"]
    counters = {address: aer["correctable"] for address, aer in counted.items() if aer}
    totals = {address: {"TOTAL_ERR_COR": sum(counts.values())} for address, counts in counters.items()}
    assert {address: counts | totals[address] for address, counts in counters.items()} == after
    assert counted[SPLIT_PORT]["correctable"]["RxErr"] == 3
    assert counted[SPLIT_PORT]["root_correctable"] == 3
    assert counted["0000:05:00.0"]["root_correctable"] is None  # no root port


def test_power_states_agree_with_sysfs(functions: dict[str, Facts], look: Facts) -> None:
    for address, one in functions.items():
        raw = {name: (text or "").strip() for name, text in look["sysfs"][address].items()}
        power = one["power"]
        assert power["state"] == raw["power_state"]
        assert power["control"] == raw["power/control"]
        assert power["runtime_status"] == raw["power/runtime_status"]


def test_slots_agree_with_sysfs(facts: Facts, look: Facts, listed: dict[str, Listed]) -> None:
    slots = {slot["name"]: slot["address"] for slot in facts["slots"]}
    assert slots == {name: address.strip() for name, address in look["slots"].items()}
    named = {
        other.blocks["Physical Slot"].strip(): address
        for address, other in listed.items()
        if "Physical Slot" in other.blocks
    }
    assert {name: address[:-2] for name, address in named.items()}.items() <= slots.items()


def test_drives_agree_with_smartctl(boot: Boot, controllers: dict[str, Facts], look: Facts) -> None:
    assert sorted(controllers) == sorted(drive.serial for drive in SPLIT_SLOT.drives)
    for serial, one in controllers.items():
        other = boot.facts("smartctl")[serial]
        assert one["name"] == look["drives"][serial]["name"]
        assert one["address"] == look["drives"][serial]["address"]
        assert one["state"] == "live"
        assert (one["model"], one["firmware"]) == (other["model"], other["firmware"])


def test_identify_agrees_with_smartctl(boot: Boot, controllers: dict[str, Facts]) -> None:
    for serial, one in controllers.items():
        identity, other = one["identity"], boot.facts("smartctl")[serial]["json"]
        text = "\n".join(other["smartctl"]["output"])
        assert (identity["model"], identity["serial"]) == (other["model_name"], other["serial_number"])
        assert identity["firmware"] == other["firmware_version"]
        assert one["controller_id"] == other["nvme_controller_id"]
        for name, label in (("warning", r"Warning  Comp\."), ("critical", r"Critical Comp\.")):
            shown = int(known(re.search(label + r" Temp\. Threshold: +(\d+) Celsius", text))[1])
            assert identity[f"{name}_temperature_celsius"] == pytest.approx(shown, abs=0.5)


def test_power_state_table_agrees_with_smartctl(boot: Boot, controllers: dict[str, Facts]) -> None:
    row = re.compile(r" *(\d+) ([+-]) +[\d.]+W .*")
    for serial, one in controllers.items():
        lines = boot.facts("smartctl")[serial]["json"]["smartctl"]["output"]
        shown = [found.groups() for found in map(row.fullmatch, lines) if found]
        assert shown
        assert [
            (str(state["number"]), "-" if state["non_operational"] else "+")
            for state in one["identity"]["power_states"]
        ] == shown


HEALTH = {
    "critical_warning": ("critical_warning", "criticalWarning"),
    "composite_temperature_celsius": ("temperature", "_temperature"),
    "available_spare_percent": ("available_spare", "availableSpare"),
    "available_spare_threshold_percent": ("available_spare_threshold", "availableSpareThreshold"),
    "percentage_used": ("percentage_used", "percentageUsed"),
    "data_units_read": ("data_units_read", "dataUnitsRead"),
    "data_units_written": ("data_units_written", "dataUnitsWritten"),
    "host_read_commands": ("host_reads", "hostReadCommands"),
    "host_write_commands": ("host_writes", "hostWriteCommands"),
    "controller_busy_minutes": ("controller_busy_time", "controllerBusyTime"),
    "power_cycles": ("power_cycles", "powerCycles"),
    "power_on_hours": ("power_on_hours", "powerOnHours"),
    "unsafe_shutdowns": ("unsafe_shutdowns", "unsafeShutdowns"),
    "media_errors": ("media_errors", "integrityErrors"),
    "error_log_entries": ("num_err_log_entries", "errorEntries"),
    "warning_temperature_minutes": ("warning_temp_time", None),
    "critical_temperature_minutes": ("critical_comp_time", "criticalTemperatureTime"),
}
"""Field of log page 02h -> smartctl's JSON name, and pySMART's."""


@pytest.mark.parametrize("field", HEALTH)
def test_health_log_agrees_with_smartctl_and_pysmart(boot: Boot, controllers: dict[str, Facts], field: str) -> None:
    in_json, in_pysmart = HEALTH[field]
    for serial, one in controllers.items():
        other = boot.facts("smartctl")[serial]
        health = one["health"]
        assert health["source"] == "log"
        value = round(health[field])
        assert value == other["json"]["nvme_smart_health_information_log"][in_json]
        if in_pysmart:
            assert value == other["attributes"][in_pysmart]


def test_health_counters_have_moved(controllers: dict[str, Facts]) -> None:
    """Hold the comparison above against an all-zero log, which anything would agree with."""
    for controller in controllers.values():
        health = controller["health"]
        assert health["data_units_read"] >= 40  # 24 MiB, in units of 512,000 bytes
        assert health["data_units_written"] >= 10
        assert health["host_write_commands"] > 0
        assert health["composite_temperature_celsius"] == pytest.approx(50, abs=0.5)


def test_a_critical_warning_is_read_and_only_of_that_drive(boot: Boot) -> None:
    warned = {
        controller["serial"]: controller["health"]["critical_warning"]
        for controller in boot.facts("facts-warned")["controllers"]
    }
    assert warned == {"TIDE-0001": 0b100, "TIDE-0002": 0, "TIDE-0003": 0, "TIDE-0004": 0}


def test_capacity_agrees_with_what_the_drive_was_built_as(
    boot: Boot, facts: Facts, controllers: dict[str, Facts]
) -> None:
    for drive in SPLIT_SLOT.drives:
        one = controllers[drive.serial]
        (namespace,) = one["namespaces"]
        assert namespace["size_bytes"] == drive.size_bytes == boot.facts("smartctl")[drive.serial]["bytes"]
        assert facts["capacities"][one["name"]] == drive.size_bytes


def test_kernel_settings_and_their_origin_are_those_of_the_boot(facts: Facts, look: Facts) -> None:
    power = facts["power"]
    assert power["command_line"] == look["command_line"].split()
    assert power["nvme_max_latency_us"] == {"value": "0", "origin": "command-line"}
    assert power["aspm_policy"]["value"] == known(re.search(r"\[(\w+)\]", look["aspm_policy"]))[1]
    assert power["aspm_forced_off"] is False


def test_firmware_is_what_the_machine_was_built_with(facts: Facts, look: Facts) -> None:
    firmware = facts["firmware"]
    assert (firmware["bios_version"], firmware["bios_date"]) == ("1.07", "03/14/2026")
    assert firmware["boot_id"] == look["boot_id"].strip()
    assert firmware["kernel_release"] == look["release"].strip()
    for name, raw in (("board_vendor", "board_vendor"), ("board_name", "board_name")):
        assert firmware[name] == (look["identity"][raw].strip() if look["identity"][raw] else None)


def test_a_whole_pass_gives_every_group(boot: Boot) -> None:
    snapshot = boot.facts("snapshot")["snapshot"]
    unread = {name: group for name, group in snapshot.items() if _is_unread(group)}
    assert unread == {}
