"""Power settings, firmware, memory, arrays, network and health, held against boxes made by hand."""

import base64
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from contracts.hand_made import ETHERNET_CLASS, Ended, JsonObject, Machine, found, health, inside, told, write

Audit = Callable[[Machine, str], Ended]

HEAD = """schema = 1
[box]
name = "kelp-1"
undeclared = "ignore"
"""
POSITIONS = "".join(
    f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/01.{number}"\noccupant = {{ kind = "nvme" }}\n'
    for number in (1, 2, 3, 4)
)


def place(number: int) -> str:
    return f"pci0000:00/0000:00:01.{number}/0000:0{number}:00.0"


def port(number: int) -> str:
    return f"pci0000:00/0000:00:01.{number}"


def box(**of_first: Any) -> Machine:  # noqa: ANN401 (the knobs of Machine.drive)
    machine = Machine()
    for number in (1, 2, 3, 4):
        machine.port(port(number))
        machine.drive(number, place(number), **(of_first if number == 1 else {}))
    return machine


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    def run(machine: Machine, build: str) -> Ended:
        write(tmp_path / "box.jsonl", machine.frame())
        (tmp_path / "build.toml").write_text(build)
        return inside("audit", "--from", tmp_path / "box.jsonl", "--build", tmp_path / "build.toml", "--json")

    return run


# --- power settings


def power(**values: str) -> Machine:
    """A box whose kernel settings are readable and calm."""
    machine = box()
    machine.files |= {
        "/proc/cmdline": "BOOT_IMAGE=/vmlinuz root=/dev/nvme9n1p2 ro quiet pcie_aspm.policy=performance\n",
        "/sys/module/pcie_aspm/parameters/policy": "default [performance] powersave powersupersave \n",
        "/sys/module/nvme_core/parameters/default_ps_max_latency_us": "0\n",
    }
    for number in (1, 2, 3, 4):
        machine.attributes(
            f"/sys/devices/{place(number)}/link",
            dict.fromkeys(("clkpm", "l0s_aspm", "l1_aspm", "l1_1_aspm", "l1_2_aspm"), "0"),
        )
        machine.nvme[f"nvme{number}"]["feature:12"] = 0
        machine.nvme[f"nvme{number}"]["feature:12:data"] = base64.b64encode(bytes(256)).decode()
    machine.files |= values
    return machine


def kernel(line: str) -> str:
    return f"{HEAD}[kernel]\n{line}\n{POSITIONS}"


@pytest.mark.parametrize(
    "line",
    [
        'command_line = ["pcie_aspm.policy=performance"]',
        'command_line = ["quiet", "ro"]',
        'aspm_policy = "performance"',
        'links_aspm = "off"',
        "nvme_default_ps_max_latency_us = 0",
    ],
)
def test_power_settings_as_declared_hold(audit: Audit, line: str) -> None:
    ended = audit(power(), kernel(line))
    assert (ended.status, ended.json()["findings"]) == (0, [])


@pytest.mark.parametrize(
    ("line", "path", "text"),
    [
        ('command_line = ["pcie_aspm.policy=performance"]', "/proc/cmdline", "quiet pcie_aspm.policy=performances\n"),
        ('command_line = ["pcie_aspm.policy=performance"]', "/proc/cmdline", "\n"),
        (
            'aspm_policy = "performance"',
            "/sys/module/pcie_aspm/parameters/policy",
            "[default] performance powersave powersupersave \n",
        ),
        (
            "nvme_default_ps_max_latency_us = 0",
            "/sys/module/nvme_core/parameters/default_ps_max_latency_us",
            "100000\n",
        ),
        (
            "nvme_default_ps_max_latency_us = 5500",
            "/sys/module/nvme_core/parameters/default_ps_max_latency_us",
            "100000\n",
        ),
        ('links_aspm = "off"', f"/sys/devices/{place(2)}/link/l1_aspm", "1\n"),
        ('links_aspm = "off"', f"/sys/devices/{place(2)}/link/l0s_aspm", "1\n"),
    ],
)
def test_power_settings_that_differ(audit: Audit, line: str, path: str, text: str) -> None:
    ended = audit(power(**{path: text}), kernel(line))
    assert ended.status == 1
    assert {rule for rule, _ in told(ended.json())} == {"power-setting-differs"}
    assert all(one["kind"] == "differs" for one in ended.json()["findings"])
    if "/link/" in path:
        assert {where for _, where in told(ended.json())} == {"bay-2"}


@pytest.mark.parametrize(
    ("line", "path"),
    [
        ('command_line = ["pcie_aspm.policy=performance"]', "/proc/cmdline"),
        ('aspm_policy = "performance"', "/sys/module/pcie_aspm/parameters/policy"),
        ("nvme_default_ps_max_latency_us = 0", "/sys/module/nvme_core/parameters/default_ps_max_latency_us"),
    ],
)
def test_power_settings_that_cannot_be_read(audit: Audit, line: str, path: str) -> None:
    machine = power()
    del machine.files[path]
    machine.errors[path] = "EACCES"
    ended = audit(machine, kernel(line))
    assert ended.status == 2
    assert {rule for rule, _ in told(ended.json())} == {"power-setting-differs"}


def test_links_aspm_that_nobody_can_read_is_unverified(audit: Audit) -> None:
    ended = audit(box(), kernel('links_aspm = "off"'))
    assert ended.status == 2
    assert {rule for rule, _ in told(ended.json())} == {"power-setting-differs"}


# --- firmware


def test_board_and_kernel_firmware(audit: Audit) -> None:
    machine = box()
    machine.attributes(
        "/sys/devices/virtual/dmi/id",
        {"board_vendor": "Tidewater", "board_name": "TW-8", "bios_version": "F7", "bios_date": "03/11/2026"},
    )
    machine.links["/sys/class/dmi/id"] = "../../devices/virtual/dmi/id"
    build = f'{HEAD}[firmware]\nboard = "TW-8"\nbios_version = "F7"\nbios_date = "03/11/2026"\n{POSITIONS}'
    assert audit(machine, build).status == 0
    machine.files["/sys/devices/virtual/dmi/id/bios_version"] = "F3\n"
    ended = audit(machine, build)
    assert ended.status == 1
    (finding,) = ended.json()["findings"]
    assert (finding["rule"], finding["position"]) == ("firmware-differs", None)
    assert ("F7" in finding["declared"], "F3" in finding["observed"]) == (True, True)
    assert audit(box(), build).status == 2


# --- memory


def smbios_module(number: int, *, mib: int, rated: int, configured: int) -> bytes:
    """Lay out a type 17 structure (DSP0134 7.18), 40 bytes formatted."""
    made = bytearray(0x28)
    struct.pack_into("<BBH", made, 0, 17, 0x28, 0x1100 + number)
    struct.pack_into("<HHH", made, 8, 64, 64, min(0x7FFF, mib))
    made[0x0E], made[0x10], made[0x11], made[0x12] = 9, 1, 2, 0x22
    struct.pack_into("<H", made, 0x15, rated)
    made[0x17], made[0x1A] = 3, 4
    struct.pack_into("<I", made, 0x1C, mib if mib >= 0x7FFF else 0)
    struct.pack_into("<H", made, 0x20, configured)
    return bytes(made) + f"DIMM {number}\0CHANNEL {chr(65 + number)}\0Tidewater\0TW-32\0\0".encode()


def remembering(*modules: bytes, mem_total_kib: int = 65_500_000) -> Machine:
    machine = box()
    machine.files["/proc/meminfo"] = f"MemTotal:       {mem_total_kib} kB\nMemFree:        1000 kB\n"
    table = b"".join(modules) + struct.pack("<BBH", 127, 4, 0x7F00) + b"\0\0"
    machine.binary["/sys/firmware/dmi/tables/DMI"] = base64.b64encode(table).decode()
    entry = b"_SM3_\0\x18\x03\x03\0\x01\0" + struct.pack("<IQ", len(table), 0)
    machine.binary["/sys/firmware/dmi/tables/smbios_entry_point"] = base64.b64encode(entry).decode()
    for number, raw in enumerate(modules):
        machine.binary[f"/sys/firmware/dmi/entries/17-{number}/raw"] = base64.b64encode(raw).decode()
    return machine


MEMORY = f'{HEAD}[memory]\ntotal = "64 GiB"\nmodules = 2\nspeed_mt_s = 5600\n{POSITIONS}'
TWO = [smbios_module(number, mib=32768, rated=5600, configured=5600) for number in (0, 1)]


def test_memory_as_declared(audit: Audit) -> None:
    ended = audit(remembering(*TWO), MEMORY)
    assert (ended.status, ended.json()["findings"]) == (0, [])


def test_memory_module_that_is_not_seen(audit: Audit) -> None:
    ended = audit(remembering(TWO[0], mem_total_kib=32_700_000), MEMORY)
    assert ended.status == 1
    assert {"memory-differs"} <= {rule for rule, _ in told(ended.json(), "differs")}
    said = " ".join(one["summary"] for one in found(ended.json(), "memory-differs"))
    assert "32 GiB" in said
    assert "declared 2" in said, "one module less explains the lesser total, and is told with it"


# --- arrays


def raid(machine: Machine, *, level: str = "raid5", members: tuple[int, ...] = (1, 2, 3), **files: str) -> Machine:
    md = "/sys/devices/virtual/block/md0/md"
    machine.links["/sys/block/md0"] = "../devices/virtual/block/md0"
    machine.links["/sys/class/block/md0"] = "../../devices/virtual/block/md0"
    machine.files["/sys/devices/virtual/block/md0/size"] = "15627548672\n"
    machine.attributes(
        md,
        {
            "level": level,
            "raid_disks": str(len(members)),
            "array_state": "clean",
            "degraded": "0",
            "sync_action": "idle",
            "sync_completed": "none",
            "mismatch_cnt": "0",
        }
        | files,
    )
    for slot, number in enumerate(members):
        machine.attributes(f"{md}/dev-nvme{number}n1", {"state": "in_sync", "slot": str(slot), "errors": "0"})
        machine.links[f"{md}/dev-nvme{number}n1/block"] = (
            f"../../../../../{place(number)}/nvme/nvme{number}/nvme{number}n1"
        )
        machine.links[f"{md}/rd{slot}"] = f"dev-nvme{number}n1"
    return machine


ARRAY = f'{HEAD}{POSITIONS}[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-2", "bay-3"]\n'


def test_array_as_declared(audit: Audit) -> None:
    ended = audit(raid(box()), ARRAY)
    assert (ended.status, ended.json()["findings"]) == (0, [])


def test_degraded_array_is_critical_and_says_what_not_to_touch(audit: Audit) -> None:
    machine = raid(box(), members=(1, 2), raid_disks="3", degraded="1")
    ended = audit(machine, ARRAY)
    assert ended.status == 1
    (finding,) = found(ended.json(), "array-degraded")
    assert finding["severity"] == "critical"
    text = " ".join([finding["summary"], *finding["next_steps"]])
    assert "bay-1" in text
    assert "bay-2" in text


def test_degraded_array_needs_no_declaration(audit: Audit) -> None:
    machine = raid(box(), members=(1, 2), raid_disks="3", degraded="1")
    assert "array-degraded" in {rule for rule, _ in told(audit(machine, HEAD + POSITIONS).json())}


@pytest.mark.parametrize(
    ("missing", "errors", "rule"), [("0", 0, None), ("1", 0, "array-degraded"), ("0", 5, "array-errors")]
)
def test_file_system_over_several_drives(audit: Audit, missing: str, errors: int, rule: str | None) -> None:
    """fs/btrfs/sysfs.c: devinfo/ID/missing and error_stats."""
    machine, folder = box(), "/sys/fs/btrfs/11111111-aaaa-4bbb-8ccc-222222222222"
    machine.files[f"{folder}/label"] = "reef\n"
    for number in (1, 2):
        mine = number == 2
        machine.files[f"{folder}/devinfo/{number}/missing"] = f"{missing if mine else 0}\n"
        machine.files[f"{folder}/devinfo/{number}/error_stats"] = (
            f"write_errs 0\nread_errs {errors if mine else 0}\nflush_errs 0\ncorruption_errs 0\ngeneration_errs 0\n"
        )
        machine.links[f"{folder}/devices/nvme{number}n1"] = (
            f"../../../../devices/{place(number)}/nvme/nvme{number}/nvme{number}n1"
        )
    assert {name for name, _ in told(audit(machine, HEAD + POSITIONS).json())} == ({rule} if rule else set())


# --- network


def interface(machine: Machine, number: int, *, speed: str = "10000", carrier: str = "1", duplex: str = "full") -> None:
    name = f"enp1s0f{number}"
    folder = machine.function(f"pci0000:00/0000:00:1c.0/0000:09:00.{number}", ETHERNET_CLASS)
    machine.attributes(
        f"{folder}/net/{name}",
        {
            "speed": speed,
            "duplex": duplex,
            "carrier": carrier,
            "operstate": "up" if carrier == "1" else "down",
            "carrier_changes": "2",
            "address": f"02:00:00:00:00:0{number}",
            "mtu": "1500",
            "type": "1",
        },
    )
    machine.links[f"/sys/class/net/{name}"] = f"../../devices/pci0000:00/0000:00:1c.0/0000:09:00.{number}/net/{name}"
    machine.links[f"{folder}/net/{name}/device"] = f"../../../0000:09:00.{number}"


def bonded(
    *, aggregators: tuple[int, int] = (1, 1), partner: str = "02:aa:00:00:00:01", mode: str = "802.3ad 4"
) -> Machine:
    machine = box()
    machine.port("pci0000:00/0000:00:1c.0")
    bond = "/sys/devices/virtual/net/bond0"
    machine.links["/sys/class/net/bond0"] = "../../devices/virtual/net/bond0"
    machine.attributes(
        bond,
        {"speed": "20000", "duplex": "full", "carrier": "1", "operstate": "up", "carrier_changes": "2", "type": "1"},
    )
    machine.attributes(
        f"{bond}/bonding",
        {
            "mode": mode,
            "slaves": "enp1s0f0 enp1s0f1",
            "mii_status": "up",
            "xmit_hash_policy": "layer3+4 1",
            "ad_aggregator": "1",
            "ad_num_ports": str(aggregators.count(1)),
            "ad_partner_mac": partner,
        },
    )
    for number, aggregator in enumerate(aggregators):
        interface(machine, number)
        folder = f"/sys/devices/pci0000:00/0000:00:1c.0/0000:09:00.{number}/net/enp1s0f{number}"
        machine.attributes(
            f"{folder}/bonding_slave",
            {
                "state": "active",
                "mii_status": "up",
                "link_failure_count": "0",
                "ad_aggregator_id": str(aggregator),
                "perm_hwaddr": f"02:00:00:00:00:0{number}",
            },
        )
        machine.links[f"{folder}/master"] = "../../../../../virtual/net/bond0"
    return machine


BOND = (
    f'{HEAD}{POSITIONS}[[bond]]\nname = "bond0"\nmode = "802.3ad"\n'
    'members = ["enp1s0f0", "enp1s0f1"]\nmember_speed_mbit_s = 10000\n'
)


def test_bond_as_declared(audit: Audit) -> None:
    ended = audit(bonded(), BOND)
    assert (ended.status, ended.json()["findings"]) == (0, [])


@pytest.mark.parametrize(
    "machine",
    [
        bonded(aggregators=(1, 2)),
        bonded(aggregators=(1, 2), partner="00:00:00:00:00:00"),
        bonded(partner="00:00:00:00:00:00"),
        bonded(mode="active-backup 1"),
    ],
    ids=["two aggregators", "no partner", "partner without address", "another mode"],
)
def test_bond_whose_members_are_up_and_do_not_carry_together(audit: Audit, machine: Machine) -> None:
    ended = audit(machine, BOND)
    assert ended.status == 1
    assert {rule for rule, _ in told(ended.json(), "differs")} == {"bond-incomplete"}


# --- health


@pytest.mark.parametrize(
    ("log", "rule"),
    [
        ({"critical_warning": 0b1}, "critical-warning"),
        ({"critical_warning": 0b10, "celsius": 82}, "critical-warning"),
        ({"critical_warning": 0b100}, "critical-warning"),
        ({"critical_warning": 0b1000}, "critical-warning"),
        ({"spare": 12, "threshold": 10}, "spare-low"),
        ({"spare": 5, "threshold": 10, "critical_warning": 1}, "spare-low"),
        ({"celsius": 84}, "overheating"),
    ],
)
def test_health_that_one_look_shows(audit: Audit, log: JsonObject, rule: str) -> None:
    ended = audit(box(log=health(**log)), HEAD + POSITIONS)
    assert ended.status == 1
    assert (rule, "bay-1") in told(ended.json(), "sign")
    assert {where for _, where in told(ended.json())} == {"bay-1"}
    assert ended.json()["verdict"] == "differs", "a sign counts as differing"


@pytest.mark.parametrize("log", [{}, {"used": 40}, {"spare": 90}, {"celsius": 60}, {"unsafe": 400}])
def test_calm_health_says_nothing(audit: Audit, log: JsonObject) -> None:
    assert audit(box(log=health(**log)), HEAD + POSITIONS).status == 0


@pytest.mark.parametrize("answer", [{"error": "EACCES"}, {"status": 6}, {"status": 0x4002}, None, "", "AAAA"])
def test_health_log_that_did_not_come_is_unverified(audit: Audit, answer: object) -> None:
    machine = box()
    machine.nvme["nvme1"]["log:2"] = answer
    if answer is None:
        del machine.nvme["nvme1"]["log:2"]
    ended = audit(machine, HEAD + POSITIONS)
    assert ended.status == 2
    assert ("critical-warning", "bay-1") in told(ended.json(), "unverified")
    assert {where for _, where in told(ended.json())} == {"bay-1"}


def test_whole_controller_that_cannot_be_asked_is_unverified(audit: Audit) -> None:
    machine = box()
    machine.nvme["nvme2"] = {"identify": {"error": "EACCES"}, "log:2": {"error": "EACCES"}}
    ended = audit(machine, HEAD + POSITIONS.replace('kind = "nvme"', 'kind = "nvme", model = "Pelagic D4"'))
    assert ended.status == 2, "the model is in sysfs as well"
    assert {where for _, where in told(ended.json())} == {"bay-2"}


def test_smartctl_stands_in_for_the_health_log(audit: Audit) -> None:
    machine = box(log={"error": "EACCES"})
    machine.smartctl["/dev/nvme1"] = {
        "json_format_version": [1, 0],
        "smartctl": {"version": [7, 3], "exit_status": 0},
        "device": {"name": "/dev/nvme1", "info_name": "/dev/nvme1", "type": "nvme", "protocol": "NVMe"},
        "model_name": "Pelagic D4",
        "serial_number": "PEL00001",
        "firmware_version": "1.0.3",
        "smart_status": {"passed": True, "nvme": {"value": 0}},
        "nvme_smart_health_information_log": {
            "critical_warning": 0,
            "temperature": 40,
            "available_spare": 100,
            "available_spare_threshold": 10,
            "percentage_used": 1,
            "data_units_read": 1000000,
            "data_units_written": 1000000,
            "host_reads": 10000000,
            "host_writes": 10000000,
            "controller_busy_time": 100,
            "power_cycles": 40,
            "power_on_hours": 5000,
            "unsafe_shutdowns": 3,
            "media_errors": 0,
            "num_err_log_entries": 12,
            "warning_temp_time": 0,
            "critical_comp_time": 0,
            "temperature_sensors": [40],
        },
    }
    assert audit(machine, HEAD + POSITIONS).status == 0
    machine.smartctl["/dev/nvme1"]["nvme_smart_health_information_log"]["critical_warning"] = 4
    assert ("critical-warning", "bay-1") in told(audit(machine, HEAD + POSITIONS).json(), "sign")
