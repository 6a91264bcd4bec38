"""The files that the kernel makes of a simulated box's ports and drives."""

from dataclasses import dataclass, field
from typing import Any

from simulation.box_parts import NetworkCard, Sheet, encode
from simulation.hardware import Drive, Port, Presence
from simulation.pages import (
    CORRECTABLE,
    GT_S,
    KELVIN,
    UNCORRECTABLE,
    LinkSide,
    aer_text,
    autonomous_transitions,
    config_space,
    health_log,
    identify_controller,
)

_FIRST_HWMON = 2  # the board's and the processor's chips come before
BRIDGE, NVME, NETWORK = 0x060400, 0x010802, 0x020000
ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT = 4, 5, 6, 0


@dataclass(slots=True)
class Numbering:
    bus: int = 0
    controller: int = 0
    taken: frozenset[int] = frozenset()

    def next_bus(self) -> int:
        self.bus += 1
        return self.bus

    def next_controller(self) -> int:
        while self.controller in self.taken:
            self.controller += 1
        self.controller += 1
        return self.controller - 1


@dataclass(slots=True)
class Tree(Sheet):
    nvme: dict[str, Any] = field(default_factory=dict)
    dirs: set[str] = field(default_factory=set)

    def as_frame(self) -> dict[str, dict[str, Any]]:
        return {
            "files": self.files,
            "binary": self.binary,
            "links": self.links,
            "nvme": self.nvme,
            "dirs": dict.fromkeys(sorted(self.dirs), True),
        }


def lay_port(tree: Tree, numbering: Numbering, port: Port, parent: str, *, bus: int) -> None:
    sysfs_path = port.sysfs_path = f"{parent}/0000:{bus:02x}:{port.hop}"
    trained = port.train()
    port_type = ROOT_PORT if parent.endswith("pci0000:00") else DOWNSTREAM
    side = LinkSide(
        generation=port.generation, lanes=port.lanes, port_type=port_type, slot_number=port.slot_number,
        target_generation=port.target_generation, aspm_enabled=port.aspm_enabled, aspm_supported=2,
        counters=port.counters, has_aer=port.has_aer,
    )  # fmt: skip
    _set_trained(side, trained)
    lay_function(tree, sysfs_path, side, vendor=0xFFF3, device=0x1000 + port_type, class_code=BRIDGE, driver="pcieport")
    below = numbering.next_bus()
    if port.drive is not None and port.drive.presence is Presence.DEAD:
        _lay_dead_function(tree, port.drive, f"{sysfs_path}/0000:{below:02x}:00.0")
    if trained is None:
        return
    if port.drive is not None:
        _lay_drive(tree, numbering, port.drive, f"{sysfs_path}/0000:{below:02x}:00.0", trained)
    elif port.card is not None:
        _lay_card(tree, port.card, f"{sysfs_path}/0000:{below:02x}:00", trained)
    elif port.switch is not None:
        upstream = f"{sysfs_path}/0000:{below:02x}:00.0"
        up = LinkSide(generation=4, lanes=4, port_type=UPSTREAM, has_aer=port.has_aer)
        _set_trained(up, trained)
        lay_function(tree, upstream, up, vendor=0xFFF3, device=0x2000, class_code=BRIDGE, driver="pcieport")
        inner = numbering.next_bus()
        for child in port.switch:
            lay_port(tree, numbering, child, upstream, bus=inner)


def _set_trained(side: LinkSide, trained: tuple[int, int] | None) -> None:
    if trained is not None:
        side.trained_generation, side.trained_lanes = trained


def lay_function(
    tree: Tree,
    sysfs_path: str,
    side: LinkSide,
    *,
    vendor: int,
    device: int,
    class_code: int,
    driver: str | None,
    control: str = "on",
    sleeps: bool = False,
) -> None:
    address = sysfs_path.rpartition("/")[2]
    tree.links[f"/sys/bus/pci/devices/{address}"] = f"../../../{sysfs_path.removeprefix('/sys/')}"
    if driver is not None:
        tree.links[f"{sysfs_path}/driver"] = f"../../../../bus/pci/drivers/{driver}"
    own, now = GT_S[side.generation], GT_S.get(side.trained_generation or 0)
    tree.lay(sysfs_path, (
        ("vendor", f"0x{vendor:04x}"), ("device", f"0x{device:04x}"), ("class", f"0x{class_code:06x}"),
        ("subsystem_vendor", f"0x{vendor:04x}"), ("subsystem_device", "0x0001"), ("revision", "0x01"),
        ("max_link_speed", f"{own:.1f} GT/s PCIe"), ("max_link_width", str(side.lanes)),
        ("current_link_speed", f"{now or 2.5:.1f} GT/s PCIe"), ("current_link_width", str(side.trained_lanes)),
        ("power/control", control), ("d3cold_allowed", "1"), *describe_sleep(sleeps=sleeps),
    ))  # fmt: skip
    space = config_space(vendor=vendor, device=device, class_code=class_code, bridge=class_code == BRIDGE, link=side)
    tree.binary[f"{sysfs_path}/config"] = encode(space[:0x160])
    if side.has_aer:
        tree.files[f"{sysfs_path}/aer_dev_correctable"] = aer_text(CORRECTABLE, "TOTAL_ERR_COR", side.counters)
        tree.files[f"{sysfs_path}/aer_dev_nonfatal"] = aer_text(UNCORRECTABLE, "TOTAL_ERR_NONFATAL", {})
        tree.files[f"{sysfs_path}/aer_dev_fatal"] = aer_text(UNCORRECTABLE, "TOTAL_ERR_FATAL", {})
        if side.port_type == ROOT_PORT:
            for kind in ("cor", "nonfatal", "fatal"):
                tree.text(f"{sysfs_path}/aer_rootport_total_err_{kind}", "0")


def _lay_card(tree: Tree, card: NetworkCard, sysfs_path: str, trained: tuple[int, int]) -> None:
    for number in range(len(card.names)):
        side = LinkSide(generation=card.generation, lanes=card.lanes, port_type=ENDPOINT, has_aer=True)
        _set_trained(side, trained)
        function = f"{sysfs_path}.{number}"
        lay_function(
            tree, function, side, vendor=card.vendor, device=card.device, class_code=NETWORK, driver="station_net"
        )
        card.lay_port(tree, function, number)


def describe_sleep(*, sleeps: bool) -> tuple[tuple[str, str], tuple[str, str]]:
    """Give the two files that say whether a function is suspended."""
    return ("power_state", "D3hot" if sleeps else "D0"), ("power/runtime_status", "suspended" if sleeps else "active")


def _lay_dead_function(tree: Tree, drive: Drive, sysfs_path: str) -> None:
    """A device gone from the bus behind a port without hot plug: the kernel keeps its folder, reads give all ones."""
    drive.sysfs_path = sysfs_path
    tree.links[f"/sys/bus/pci/devices/{drive.address}"] = f"../../../{sysfs_path.removeprefix('/sys/')}"
    tree.lay(sysfs_path, (
        ("vendor", f"0x{drive.vendor:04x}"), ("device", f"0x{drive.device:04x}"), ("class", f"0x{NVME:06x}"),
        ("subsystem_vendor", f"0x{drive.vendor:04x}"), ("subsystem_device", "0x0001"), ("revision", "0x01"),
        ("max_link_speed", "Unknown"), ("max_link_width", "63"),
        ("current_link_speed", "Unknown"), ("current_link_width", "63"),
        ("power_state", "D0"), ("power/control", "on"), ("power/runtime_status", "active"), ("d3cold_allowed", "1"),
    ))  # fmt: skip
    tree.binary[f"{sysfs_path}/config"] = encode(b"\xff" * 0x160)


def _lay_drive(tree: Tree, numbering: Numbering, drive: Drive, sysfs_path: str, trained: tuple[int, int]) -> None:
    drive.sysfs_path = sysfs_path
    unbound = drive.presence is Presence.UNBOUND
    if drive.number is None and not unbound:
        drive.number = numbering.next_controller()
    name = f"nvme{drive.number}"
    side = LinkSide(
        generation=drive.generation, lanes=drive.lanes, port_type=ENDPOINT, counters=drive.counters,
        has_aer=drive.has_aer, aspm_supported=2,
    )  # fmt: skip
    _set_trained(side, trained)
    lay_function(
        tree, sysfs_path, side, vendor=drive.vendor, device=drive.device, class_code=NVME,
        driver=None if unbound else "nvme", control=drive.power_control, sleeps=drive.sleeps,
    )  # fmt: skip
    if unbound:
        return
    controller = f"{sysfs_path}/nvme/{name}"
    tree.links[f"/sys/class/nvme/{name}"] = f"../../{controller.removeprefix('/sys/')}"
    tree.lay(controller, (
        ("model", drive.model.ljust(40)), ("serial", drive.serial.ljust(20)), ("firmware_rev", drive.firmware.ljust(8)),
        ("state", drive.state), ("transport", "pcie"), ("address", drive.address), ("cntlid", "1"),
        ("queue_count", "9"), ("sqsize", "1023"), ("power/pm_qos_latency_tolerance_us", drive.latency_tolerance),
    ))  # fmt: skip
    disk = f"{controller}/{name}n1"
    tree.links[f"/sys/block/{name}n1"] = f"../{disk.removeprefix('/sys/')}"
    tree.lay(disk, (
        ("size", str(drive.capacity_bytes // 512)), ("nsid", "1"), ("queue/logical_block_size", "512"),
        ("queue/rotational", "0"), ("wwid", f"eui.{hash_text(drive.serial):016x}"),
        ("stat", " ".join(f"{count:8d}" for count in drive.stat)),
    ))  # fmt: skip
    bits, data = autonomous_transitions(enabled=drive.transitions_enabled)
    tree.nvme[name] = {
        "identify": encode(
            identify_controller(
                serial=drive.serial, model=drive.model, firmware=drive.firmware, capacity_bytes=drive.capacity_bytes,
                vendor=drive.vendor, warning_celsius=drive.warning_celsius, critical_celsius=drive.critical_celsius,
            )
        ),
        "log:2": health_entry(drive),
        "feature:12": bits,
        "feature:12:data": encode(data),
    }  # fmt: skip


def thermometer_folder(drive: Drive) -> str:
    """Give the folder of the kernel's thermometer of a drive, which the driver registers below the controller."""
    return f"{drive.sysfs_path}/nvme/nvme{drive.number}/hwmon{(drive.number or 0) + _FIRST_HWMON}"


def thermometer_readings(drive: Drive) -> dict[str, str]:
    """Give what moves of it: the drive's whole kelvin in the kernel's thousandths, and its own alarm of heat.

    Source: kernel drivers/nvme/host/hwmon.c, ``nvme_hwmon_read``; include/linux/units.h, ``kelvin_to_millicelsius``.
    """
    health = drive.health
    return {
        "temp1_input": f"{_millicelsius(round(health.temperature_celsius))}\n",
        "temp1_alarm": f"{health.critical_warning >> 1 & 1}\n",
    }


def _millicelsius(celsius: int) -> int:
    return (celsius + KELVIN) * 1000 - 273_150


def lay_thermometer(tree: Tree, drive: Drive) -> None:
    # The driver registers none where the drive refuses the log on which it draws.
    if drive.number is None or drive.presence is not Presence.HERE or drive.refuses_health is not None:
        return
    folder = thermometer_folder(drive)
    name = folder.rpartition("/")[2]
    tree.links[f"/sys/class/hwmon/{name}"] = f"../../{folder.removeprefix('/sys/')}"
    tree.lay(folder, (("name", "nvme"), ("temp1_label", "Composite"), ("temp1_min", "-273150")))
    for file, celsius in (("temp1_max", drive.warning_celsius), ("temp1_crit", drive.critical_celsius)):
        if celsius:
            tree.text(f"{folder}/{file}", str(_millicelsius(celsius)))
    tree.files.update({f"{folder}/{file}": text for file, text in thermometer_readings(drive).items()})


def health_entry(drive: Drive) -> str | dict[str, int]:
    """Give log 02h as a recording holds it."""
    if drive.refuses_health is not None:
        return {"status": drive.refuses_health}
    return encode(drive.health_bytes or health_log(drive.health))


def hash_text(text: str) -> int:
    """A number from a text, the same in each run."""
    number = 0
    for byte in text.encode():
        number = (number * 131 + byte) % (1 << 63)
    return number
