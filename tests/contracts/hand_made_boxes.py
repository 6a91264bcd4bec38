"""Boxes made by hand out of `Machine`, and the declarations that they are held against."""

import base64
import struct
from collections.abc import Mapping
from typing import Any

from contracts.hand_made import ETHERNET_CLASS, SATA_CLASS, TB, JsonObject, Machine, identify

HEAD = 'schema = 1\n[box]\nname = "kelp-1"\n'
SLOT = '[slot.riser]\npath = "0000:00"\nlanes = 16\nsplit = [4, 4, 4, 4]\n'
GEN4 = "{ generation = 4, lanes = 4 }"
NVME = '{ kind = "nvme" }'


def position(path: str, *, label: str = "bay-1", link: str = "", occupant: str = NVME, more: str = "") -> str:
    link = f"link = {link}\n" if link else ""
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{link}occupant = {occupant}\n{more}'


def bays(*, link: str = GEN4, occupant: str = NVME, split: bool = False) -> str:
    """Declare four positions, the last three with a drive at 16 GT/s x4; the knobs are the first's."""
    return "".join(
        position(
            f"0000:00/01.{number}",
            label=f"bay-{number}",
            link=link if number == 1 else GEN4,
            occupant=occupant if number == 1 else NVME,
            more=f'slot = "riser"\nbranch = {number}\nthrough = ["passive-split"]\n' if split else "",
        )
        for number in (1, 2, 3, 4)
    )


def port(number: int) -> str:
    return f"pci0000:00/0000:00:01.{number}"


def place(number: int) -> str:
    return f"{port(number)}/0000:0{number}:00.0"


def box(
    *,
    without: tuple[int, ...] = (),
    without_port: tuple[int, ...] = (),
    **of_first: Any,
) -> Machine:
    """Four ports with a drive at each; knobs for the first."""
    machine = Machine()
    for number in sorted({1, 2, 3, 4} - {*without_port}):
        knobs = of_first if number == 1 else {}
        machine.port(port(number), **{key: knobs[key] for key in ("speed", "width") if key in knobs})
        if number not in without:
            machine.drive(number, place(number), **knobs)
    return machine


def one_drive(**knobs: Any) -> Machine:
    """A port with a drive."""
    machine = Machine()
    machine.port(port(1))
    machine.drive(1, place(1), **knobs)
    return machine


ARM = "platform/axi/1000110000.pcie/pci0001:00"
VMD = "pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:06.0"


def nested(*ports: str, device: str, path: str, **knobs: Any) -> tuple[Machine, str]:
    """A drive below some ports, or where there is none on the bus itself; and its declaration at a path."""
    machine = Machine()
    for folder in ports:
        machine.port(folder, **{key: knobs[key] for key in ("speed", "width") if key in knobs})
    machine.drive(0, f"{ports[-1]}/{device}" if ports else device, **knobs)
    return machine, position(path, link=GEN4)


def changed(machine: Machine, files: Mapping[str, str | None]) -> Machine:
    """Give files, by path or by path below /sys/devices, another text; None makes one that may not be read."""
    for name, text in files.items():
        path = name if name.startswith("/") else f"/sys/devices/{name}"
        if text is None:
            machine.files.pop(path, None)
            machine.errors[path] = "EACCES"
        else:
            machine.files[path] = f"{text}\n"
    return machine


ASPM_POLICY = "/sys/module/pcie_aspm/parameters/policy"
LATENCY = "/sys/module/nvme_core/parameters/default_ps_max_latency_us"


def power(**values: str) -> Machine:
    """A box whose kernel settings are readable and calm."""
    machine = box()
    machine.files |= {
        "/proc/cmdline": "BOOT_IMAGE=/vmlinuz root=/dev/nvme9n1p2 ro quiet pcie_aspm.policy=performance\n",
        ASPM_POLICY: "default [performance] powersave powersupersave \n",
        LATENCY: "0\n",
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


def board(machine: Machine, bios_version: str = "F7") -> Machine:
    machine.attributes(
        "/sys/devices/virtual/dmi/id",
        {"board_vendor": "Tidewater", "board_name": "TW-8", "bios_version": bios_version, "bios_date": "03/11/2026"},
    )
    machine.links["/sys/class/dmi/id"] = "../../devices/virtual/dmi/id"
    return machine


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


TWO = [smbios_module(number, mib=32768, rated=5600, configured=5600) for number in (0, 1)]


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


def multipath(machine: Machine) -> Machine:
    """Lay two disks below their subsystems, an array upon them: the controllers hold hidden nodes, nvme1c1n1."""
    for number in (1, 2):
        name, subsystem = f"nvme{number}", f"devices/virtual/nvme-subsystem/nvme-subsys{number}"
        folder = f"/sys/devices/{place(number)}/nvme/{name}"
        size = machine.files.pop(f"{folder}/{name}n1/size")
        machine.files |= {f"{folder}/{name}c{number}n1/size": size, f"/sys/{subsystem}/{name}n1/size": size}
        machine.links |= {f"/sys/block/{name}n1": f"../{subsystem}/{name}n1"}
        machine.links |= {f"/sys/class/block/{name}n1": f"../../{subsystem}/{name}n1"}
        machine.nvme[name]["identify"] = identify(model="Pelagic D4", serial=f"PEL0000{number}", firmware="1.0.3")
    machine = raid(machine, level="raid1", members=(1, 2))
    for number in (1, 2):
        block = f"/sys/devices/virtual/block/md0/md/dev-nvme{number}n1/block"
        machine.links[block] = f"../../../../nvme-subsystem/nvme-subsys{number}/nvme{number}n1"
    return machine


def btrfs(*, missing: str = "0", errors: int = 0) -> Machine:
    """A file system over two drives, the second of which has the faults. Source: fs/btrfs/sysfs.c."""
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
    return machine


LINK_UP = {"duplex": "full", "carrier": "1", "operstate": "up", "carrier_changes": "2", "type": "1"}


def interface(machine: Machine, number: int) -> None:
    name = f"enp1s0f{number}"
    folder = machine.function(f"pci0000:00/0000:00:1c.0/0000:09:00.{number}", ETHERNET_CLASS)
    machine.attributes(f"{folder}/net/{name}", LINK_UP | {"speed": "10000", "address": f"02:00:00:00:00:0{number}"})
    machine.links[f"/sys/class/net/{name}"] = f"../../devices/pci0000:00/0000:00:1c.0/0000:09:00.{number}/net/{name}"
    machine.links[f"{folder}/net/{name}/device"] = f"../../../0000:09:00.{number}"


def bonded(
    *, aggregators: tuple[int, int] = (1, 1), partner: str = "02:aa:00:00:00:01", mode: str = "802.3ad 4"
) -> Machine:
    machine = box()
    machine.port("pci0000:00/0000:00:1c.0")
    bond = "/sys/devices/virtual/net/bond0"
    machine.links["/sys/class/net/bond0"] = "../../devices/virtual/net/bond0"
    machine.attributes(bond, LINK_UP | {"speed": "20000"})
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
        slave = {"state": "active", "mii_status": "up", "link_failure_count": "0", "ad_aggregator_id": str(aggregator)}
        machine.attributes(f"{folder}/bonding_slave", slave)
        machine.links[f"{folder}/master"] = "../../../../../virtual/net/bond0"
    return machine


def smartctl_health(*, critical_warning: int = 0) -> JsonObject:
    """Give what smartctl says of a healthy NVMe drive, in its JSON."""
    return {
        "json_format_version": [1, 0],
        "smartctl": {"version": [7, 3], "exit_status": 0},
        "device": {"name": "/dev/nvme1", "info_name": "/dev/nvme1", "type": "nvme", "protocol": "NVMe"},
        "model_name": "Pelagic D4",
        "serial_number": "PEL00001",
        "firmware_version": "1.0.3",
        "smart_status": {"passed": True, "nvme": {"value": 0}},
        "nvme_smart_health_information_log": {
            "critical_warning": critical_warning,
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


def sata(machine: Machine, *, ata: int = 3, disk: str = "sda", serial: str = "ABY777", pending: int = 0) -> Machine:
    folder = "pci0000:00/0000:00:17.0"
    machine.function(folder, SATA_CLASS)
    target = f"{folder}/ata{ata}/host{ata - 1}/target{ata - 1}:0:0/{ata - 1}:0:0:0"
    machine.attributes(
        f"/sys/devices/{target}", {"model": "Abyssal A12     ", "vendor": "ATA     ", "rev": "A1  ", "type": "0"}
    )
    machine.attributes(
        f"/sys/devices/{target}/block/{disk}", {"size": str(12 * TB // 512), "removable": "0", "queue/rotational": "1"}
    )
    machine.links |= {
        f"/sys/block/{disk}": f"../devices/{target}/block/{disk}",
        f"/sys/class/block/{disk}": f"../../devices/{target}/block/{disk}",
        f"/sys/devices/{target}/block/{disk}/device": f"../../../{ata - 1}:0:0:0",
    }
    machine.smartctl[f"/dev/{disk}"] = {
        "json_format_version": [1, 0],
        "smartctl": {"version": [7, 3], "exit_status": 0},
        "device": {"name": f"/dev/{disk}", "info_name": f"/dev/{disk} [SAT]", "type": "sat", "protocol": "ATA"},
        "model_name": "Abyssal A12",
        "serial_number": serial,
        "firmware_version": "A1",
        "user_capacity": {"blocks": 12 * TB // 512, "bytes": 12 * TB},
        "rotation_rate": 7200,
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        "ata_smart_attributes": {
            "revision": 16,
            "table": [
                _smart_attribute(5, "Reallocated_Sector_Ct", 0),
                _smart_attribute(197, "Current_Pending_Sector", pending),
                _smart_attribute(194, "Temperature_Celsius", 34),
                _smart_attribute(199, "UDMA_CRC_Error_Count", 0),
            ],
        },
        "temperature": {"current": 34},
        "power_on_time": {"hours": 9000},
    }
    return machine


def _smart_attribute(number: int, name: str, raw: int) -> JsonObject:
    health = {"value": 100, "worst": 100, "thresh": 10, "when_failed": ""}
    return {"id": number, "name": name, **health, "raw": {"value": raw, "string": str(raw)}}


def usb_disk() -> Machine:
    machine = Machine()
    machine.function("pci0000:00/0000:00:14.0", "0x0c0330")
    target = "pci0000:00/0000:00:14.0/usb1/1-1/1-1.2/1-1.2:1.0/host6/target6:0:0/6:0:0:0"
    machine.attributes(f"/sys/devices/{target}", {"model": "Shoal S1", "vendor": "Tide", "rev": "1", "type": "0"})
    machine.attributes(f"/sys/devices/{target}/block/sdc", {"size": str(TB // 512), "removable": "0"})
    machine.links |= {
        "/sys/block/sdc": f"../devices/{target}/block/sdc",
        f"/sys/devices/{target}/block/sdc/device": "../../../6:0:0:0",
    }
    return machine
