"""A box with knobs that makes snapshots, not files: ports, switches, drives and settings in, facts out.

``Box().with_port("0000:00/01.1", gen=4, lanes=4).with_drive("0000:00/01.1", serial="A1").snapshot()``

Makes and models are invented. What no knob sets is sound: links trained at what both ends can do, healthy drives.
"""

import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Self

from laneproof.box.link_rates import rate_of
from laneproof.declaration.build import Build
from laneproof.declaration.units import parse_bytes
from laneproof_collectors.snapshot import (
    Array,
    ArrayMember,
    AutonomousTransitions,
    Bond,
    BondMember,
    ExpressRegisters,
    Firmware,
    FunctionPower,
    HealthLog,
    Interface,
    KernelPower,
    LinkEnd,
    LinkRegisters,
    Memory,
    MemoryModule,
    NvmeController,
    NvmeIdentity,
    NvmeNamespace,
    PciFunction,
    PowerState,
    SataDrive,
    Setting,
    Snapshot,
    Thermal,
)
from laneproof_collectors.unread import Reason, Unread

A_MORNING = 1_790_000_000.0
"""When the make-believe snapshots were taken, unix seconds."""

BRIDGE, NVME, NETWORK, SATA, DISPLAY = 0x060400, 0x010802, 0x020000, 0x010601, 0x030000
END_POINT, ROOT_PORT, UPSTREAM_PORT, DOWNSTREAM_PORT = 0, 4, 5, 6
L0S, L1 = 1, 2


def declare_risers(count: int) -> str:
    """Declare so many positions, riser-1 and on, of which only the path is known."""
    rows = (f'{{ label = "riser-{number}", path = "0000:00/01.{number}" }}' for number in range(1, count + 1))
    return f"position = [{', '.join(rows)}]\n"


RISER_1 = declare_risers(1)
GENERATION_4 = 'position = [{ label = "riser-1", path = "0000:00/01.1", link = { generation = 4, lanes = 4 } }]'
SATA_BAY = 'position = [{ label = "bay-1", path = "0000:00/17.0/ata-1" }]'
TWO_DRIVES = """
position = [
  { label = "riser-1", path = "0000:00/01.1", occupant = { kind = "nvme", serial = "FN0001" } },
  { label = "riser-2", path = "0000:00/01.2", occupant = { kind = "nvme", serial = "FN0002" } },
]
"""
RAID_5 = declare_risers(3) + 'array = [{ name = "md0", level = "raid5", members = ["riser-1", "riser-2", "riser-3"] }]'
TWO_PORTS = 'bond = [{ name = "bond0", mode = "802.3ad", members = ["wan0", "wan1"], member_speed_mbit_s = 10000 }]'
ARCHIVE = 'file_system = [{ mount = "/srv/archive", full_above = 0.8 }]'
"""Declarations of several examples."""

Edit = Callable[[PciFunction], PciFunction]


@dataclass(slots=True, kw_only=True)
class _Node:
    """One function to be: its knobs, before addresses are given out."""

    class_code: int
    port_type: int
    generation: int
    lanes: int
    trained: tuple[int, int] | None = None  # generation and lanes; None: what both ends can do
    target: int | None = None  # generation
    aspm: int = 0
    asleep: bool = False
    control: str = "on"
    registers: dict[str, Any] = field(default_factory=dict)
    function: dict[str, Any] = field(default_factory=dict)


class Box:
    """A box that is built step by step; each step returns the box, `snapshot` the facts.

    Ports are placed by their own path (``0000:00/01.1``), devices by their position: below the port where one was put
    there, else as the path's last hop.
    """

    def __init__(self) -> None:
        """Begin with an empty board: firmware, kernel settings and memory are there, nothing is plugged in."""
        self._nodes: dict[str, _Node] = {}
        self._controllers: list[tuple[str, NvmeController]] = []
        self._interfaces: list[tuple[str | None, Interface]] = []
        self._edits: list[tuple[str, Edit]] = []
        self._groups: dict[str, Any] = {
            "slots": (),
            "power": make_power(),
            "firmware": make_firmware(),
            "memory": make_memory(),
            "arrays": (),
            "bonds": (),
            "thermal": Thermal(),
            "drives": (),
            "file_systems": (),
        }

    # --- what is plugged in ---

    def with_port(self, path: str, *, gen: int = 4, lanes: int = 4, **knobs: Any) -> Self:
        """Place a downstream-facing port: a root port, or one of a switch where the path is deeper."""
        port_type = ROOT_PORT if path.count("/") == 1 else DOWNSTREAM_PORT
        self._nodes[path] = _Node(class_code=BRIDGE, port_type=port_type, generation=gen, lanes=lanes, **knobs)
        return self

    def with_switch(self, path: str, *, gen: int = 4, lanes: int = 8, **knobs: Any) -> Self:
        """Place a switch card in a position; its ports are then placed at ``PATH/00.0/dd.f``."""
        node = _Node(class_code=BRIDGE, port_type=UPSTREAM_PORT, generation=gen, lanes=lanes, **knobs)
        self._nodes[self._device_path(path)] = node
        return self

    def with_device(
        self,
        path: str,
        *,
        class_code: int = DISPLAY,
        gen: int = 4,
        lanes: int = 4,
        **knobs: Any,
    ) -> Self:
        """Place any device in a position."""
        node = _Node(class_code=class_code, port_type=END_POINT, generation=gen, lanes=lanes, **knobs)
        self._nodes[self._device_path(path)] = node
        return self

    def with_drive(
        self,
        path: str,
        *,
        model: str = "Fulmar N4",
        serial: str | None = None,
        capacity: str = "4 TB",
        firmware: str = "2.1",
        health: dict[str, Any] | Unread | None = None,
        controller: dict[str, Any] | None = None,
        **knobs: Any,
    ) -> Self:
        """Place an NVMe drive; `health` sets fields of its log, `controller` sets other facts of it."""
        self.with_device(path, class_code=NVME, **knobs)
        number = len(self._controllers)
        made = make_controller(
            number, model=model, serial=serial or f"FN{number:04d}", size_bytes=parse_bytes(capacity), firmware=firmware
        )
        if health is not None:
            made = replace(made, health=health if isinstance(health, Unread) else make_health(**health))
        self._controllers.append((self._device_path(path), replace(made, **controller or {})))
        return self

    def with_network(self, path: str, name: str, *, speed: int | None = 10_000, **knobs: Any) -> Self:
        """Place a network card with one interface; more interfaces by more calls for the same path."""
        self.with_device(path, class_code=NETWORK, **knobs)
        self._interfaces.append((self._device_path(path), make_interface(name, speed=speed)))
        return self

    def with_sata_drive(self, path: str, *, name: str = "sda", **facts: Any) -> Self:
        """Hang a drive on a controller's own hop, such as ``0000:00/17.0/ata-3``."""
        self._groups["drives"] += (make_sata_drive(name, path, **facts),)
        return self

    # --- the rest of the box ---

    def with_power(self, **settings: Any) -> Self:
        """Set the kernel's power settings, by the names of `KernelPower`."""
        self._groups["power"] = replace(self._groups["power"], **settings)
        return self

    def with_firmware(self, **facts: Any) -> Self:
        """Set board and firmware facts, by the names of `Firmware`."""
        self._groups["firmware"] = replace(self._groups["firmware"], **facts)
        return self

    def with_memory(self, *sizes: str, **facts: Any) -> Self:
        """Fit modules of these sizes; `facts` go to each of them."""
        self._groups["memory"] = make_memory(*sizes, **facts)
        return self

    def with_array(self, name: str, disks: tuple[str, ...], **facts: Any) -> Self:
        """Make an md array of whole disks."""
        self._groups["arrays"] += (make_array(name, disks, **facts),)
        return self

    def with_bond(self, name: str, members: tuple[str, ...], **facts: Any) -> Self:
        """Make an 802.3ad bond that bonds."""
        self._groups["bonds"] += (make_bond(name, members, **facts),)
        return self

    def with_group(self, **groups: Any) -> Self:
        """Replace whole groups of the snapshot by their names: other facts, or `Unread`."""
        self._groups |= groups
        return self

    # --- faults ---

    def edit(self, own_path: str, edit: Edit) -> Self:
        """Change a function's facts, as the last step before the snapshot."""
        self._edits.append((own_path, edit))
        return self

    def without(self, path: str) -> Self:
        """Unplug the device in a position; its port stays."""
        gone = self._device_path(path)
        self._nodes = {own: node for own, node in self._nodes.items() if own != gone and not own.startswith(gone + "/")}
        self._controllers = [(own, controller) for own, controller in self._controllers if own in self._nodes]
        return self

    def without_registers(self) -> Self:
        """Take away config space beyond its first 64 bytes, as for a reader without privilege."""
        for path in self._nodes:
            self.edit(
                path,
                lambda function: replace(
                    function, express=Unread(f"config of {function.address}", "denied", Reason.DENIED)
                ),
            )
        return self

    # --- the facts ---

    def snapshot(self, *, taken_at: float = A_MORNING) -> Snapshot:
        """Give the facts of one pass."""
        addresses = self._give_addresses()
        functions = {path: self._make_function(path, node, addresses[path]) for path, node in self._nodes.items()}
        for path, edit in self._edits:
            if path in functions:
                functions[path] = edit(functions[path])
        controllers = tuple(replace(controller, address=addresses[path]) for path, controller in self._controllers)
        interfaces = tuple(
            replace(interface, address=addresses.get(path) if path else None) for path, interface in self._interfaces
        )
        groups = {
            "functions": tuple(functions[path] for path in sorted(functions, key=lambda path: addresses[path])),
            "controllers": controllers,
            "interfaces": interfaces,
        }
        return Snapshot(taken_at=taken_at, up_seconds=3600.0, **groups | self._groups)

    def _device_path(self, path: str) -> str:
        return f"{path}/00.0" if path in self._nodes and self._nodes[path].class_code == BRIDGE else path

    def _give_addresses(self) -> dict[str, str]:
        """Number the buses as the kernel does: each bridge's bus right after those before it."""
        buses: dict[str, str] = {}
        last: dict[str, int] = {}
        addresses = {}
        for path in sorted(self._nodes):
            above, _, hop = path.rpartition("/")
            domain, _, bus = above.partition("/")[0].partition(":")
            addresses[path] = f"{buses.get(above, f'{domain}:{bus}')}:{hop}"
            if self._nodes[path].class_code == BRIDGE:
                last[domain] = last.get(domain, int(bus, 16)) + 1
                buses[path] = f"{domain}:{last[domain]:02x}"
        return addresses

    def _link_of(self, path: str, node: _Node) -> tuple[_Node | None, _Node | None]:
        """Give the two nodes that share this node's link: the one above, the one below."""
        if node.port_type in (ROOT_PORT, DOWNSTREAM_PORT):
            below = next((node for own, node in self._nodes.items() if own.rpartition("/")[0] == path), None)
            return node, below
        return self._nodes.get(path.rpartition("/")[0]), node

    def _trained(self, path: str, node: _Node) -> tuple[int, int]:
        above, below = self._link_of(path, node)
        ends = [node for node in (above, below) if node is not None]
        if below is None:
            return 1, 0  # an empty port: the lowest rate, no lanes
        asked = next((end.trained for end in ends if end.trained), None)
        targets = [end.target for end in ends if end.target]
        return asked or (min(*(end.generation for end in ends), *targets, 9), min(end.lanes for end in ends))

    def _make_function(self, path: str, node: _Node, address: str) -> PciFunction:
        root, *hops = path.split("/")
        generation, lanes = self._trained(path, node)
        faces_down = node.port_type in (ROOT_PORT, DOWNSTREAM_PORT)
        link = LinkRegisters(
            capable_gt_s=rate_of(node.generation),
            capable_lanes=node.lanes,
            trained_gt_s=rate_of(generation),
            trained_lanes=lanes,
            target_gt_s=rate_of(node.target or node.generation),
            aspm_supported=L1,
            aspm_enabled=node.aspm,
            bandwidth_management_status=False,
            autonomous_bandwidth_status=False,
        )
        made = PciFunction(
            address=address,
            root=root,
            hops=tuple(hops),
            class_code=node.class_code,
            vendor_id=0x1B36,
            device_id=0x0010,
            link=LinkEnd(
                trained_gt_s=rate_of(generation),
                trained_lanes=lanes,
                capable_gt_s=rate_of(node.generation),
                capable_lanes=node.lanes,
            ),
            express=make_express(node.port_type, replace(link, **node.registers)),
            aer=None,
            correctable_mask=None,
            power=FunctionPower(
                state="D3hot" if node.asleep else "D0",
                control="auto" if node.asleep else node.control,
                runtime_status="suspended" if node.asleep else "active",
                link_states={} if faces_down else {"l1_aspm": bool(node.aspm & L1)},
            ),
        )
        return replace(made, **node.function)


# --- single facts, sound where none is given --------------------------------------------------------------------------


def make_express(port_type: int, link: LinkRegisters | None) -> ExpressRegisters:
    """Make the PCI Express capability of a function."""
    return ExpressRegisters(port_type=port_type, slot=None, reports_correctable=True, link=link)


def make_health(**fields: Any) -> HealthLog:
    """Make the health log of a sound drive."""
    sound: dict[str, Any] = {
        "critical_warning": 0, "composite_temperature_celsius": 38.0, "available_spare_percent": 100,
        "available_spare_threshold_percent": 10, "percentage_used": 2, "endurance_group_warning": 0,
        "data_units_read": 1_000_000, "data_units_written": 800_000, "host_read_commands": 20_000_000,
        "host_write_commands": 15_000_000, "controller_busy_minutes": 300, "power_cycles": 20, "power_on_hours":
        2000, "unsafe_shutdowns": 3, "media_errors": 0, "error_log_entries": 0, "warning_temperature_minutes":
        0, "critical_temperature_minutes": 0, "sensor_celsius": {1: 38.0}, "thermal_transitions_1": 0,
        "thermal_transitions_2": 0, "thermal_seconds_1": 0, "thermal_seconds_2": 0,
    }  # fmt: skip
    return HealthLog(**sound | fields)


def make_controller(number: int, *, model: str, serial: str, size_bytes: int, firmware: str) -> NvmeController:
    """Make an NVMe controller with one namespace."""
    name = f"nvme{number}"
    states = (PowerState(number=0, non_operational=False), PowerState(number=3, non_operational=True))
    return NvmeController(
        name=name,
        address=None,
        state="live",
        model=model,
        serial=serial,
        firmware=firmware,
        controller_id=1,
        namespaces=(NvmeNamespace(name=f"{name}n1", number=1, size_bytes=size_bytes),),
        identity=NvmeIdentity(
            serial=serial,
            model=model,
            firmware=firmware,
            autonomous_transitions_supported=True,
            warning_temperature_celsius=80.0,
            critical_temperature_celsius=85.0,
            total_capacity_bytes=size_bytes,
            power_states=states,
        ),
        health=make_health(),
        autonomous_transitions=AutonomousTransitions(enabled=False, transitions={}),
        latency_tolerance_us=0,
    )


def make_sata_drive(name: str, path: str | None, **facts: Any) -> SataDrive:
    """Make a sound SATA drive."""
    sound: dict[str, Any] = {
        "model": "Gannet S8", "serial": f"GS{name}", "firmware": "7", "capacity_bytes": 8_001_563_222_016,
        "asleep": False, "healthy": True, "temperature_celsius": 35.0, "power_on_hours": 9000,
        "reallocated_sectors": 0, "pending_sectors": 0, "uncorrectable_sectors": 0, "interface_errors": 0,
        "last_self_test": None,
    }  # fmt: skip
    return SataDrive(name=name, path=path, **sound | facts)


def make_power(**settings: Any) -> KernelPower:
    """Make the kernel's power settings, with autonomous drive states and link power management off."""
    quiet: dict[str, Any] = {
        "command_line": ("BOOT_IMAGE=/vmlinuz", "ro", "nvme_core.default_ps_max_latency_us=0"),
        "aspm_policy": Setting(value="performance", origin="sysfs"),
        "aspm_forced_off": False,
        "port_power_management": Setting(value="on", origin="default"),
        "nvme_max_latency_us": Setting(value="0", origin="command-line"),
    }
    return KernelPower(**quiet | settings)


def make_firmware(**facts: Any) -> Firmware:
    """Make the board's account of itself."""
    sound: dict[str, Any] = {
        "board_vendor": "Breakwater", "board_name": "Mole 3", "bios_version": "1.40", "bios_date": "03/14/2026",
        "kernel_release": "6.12.9-station", "host_name": "kelp-1", "boot_id":
        "0b5e55ed-0000-4000-8000-000000000001",
    }  # fmt: skip
    return Firmware(**sound | facts)


def make_memory(*sizes: str, **facts: Any) -> Memory:
    """Make the memory: modules of these sizes, two of 32 GiB where none are named."""
    sound: dict[str, Any] = {"rated_mt_s": 5600, "configured_mt_s": 5600, "ecc": False, "part": "SK32"}
    modules = tuple(
        MemoryModule(locator=f"DIMM {number}", bank="", **{"size_bytes": parse_bytes(size)} | sound | facts)
        for number, size in enumerate(sizes or ("32 GiB", "32 GiB"), start=1)
    )
    fitted = sum(module.size_bytes or 0 for module in modules)
    return Memory(total_bytes=int(fitted * 0.98), modules=modules, error_correction=3, edac=())


def make_member(name: str, state: str | Unread = "in_sync", **facts: Any) -> ArrayMember:
    """Make a member of an array: a whole disk, unless another disk is named."""
    whole: dict[str, Any] = {"disk": name, "slot": 0, "errors": 0}
    return ArrayMember(name=name, state=state, **whole | facts)


def make_array(name: str, disks: tuple[str, ...], **facts: Any) -> Array:
    """Make a whole md array."""
    members = tuple(make_member(disk, slot=slot) for slot, disk in enumerate(disks))
    whole: dict[str, Any] = {
        "kind": "md", "level": "raid5", "state": "clean", "members_wanted": len(disks), "degraded": 0,
        "size_bytes": 8_000_000_000_000, "members": members, "sync_action": "idle",
    }  # fmt: skip
    return Array(name=name, **whole | facts)


def make_interface(name: str, *, speed: int | Unread | None = 10_000, **facts: Any) -> Interface:
    """Make a network interface that is up."""
    up: dict[str, Any] = {
        "address": None, "operational_state": "up", "duplex": "full", "carrier_changes": 1, "receive_errors": 0,
        "transmit_errors": 0,
    }  # fmt: skip
    return Interface(name=name, speed_mbit_s=speed, **up | facts)


def make_bond(name: str, members: tuple[str, ...], **facts: Any) -> Bond:
    """Make an 802.3ad bond whose members bond."""
    whole: dict[str, Any] = {
        "mode": "802.3ad",
        "members": tuple(
            BondMember(name=member, mii_status="up", aggregator_id=1, link_failures=0) for member in members
        ),
        "transmit_hash": "layer3+4",
        "active_aggregator": 1,
        "aggregated_ports": len(members),
        "partner_mac": "02:00:00:00:00:01",
    }
    return Bond(name=name, **whole | facts)


def array_snapshot(disks: tuple[str, ...] = ("nvme0n1", "nvme1n1", "nvme2n1"), **facts: Any) -> Snapshot:
    """Give the facts of three drives and of an array of these disks."""
    box = Box()
    for number in range(1, 4):
        box.with_port(f"0000:00/01.{number}").with_drive(f"0000:00/01.{number}")
    return box.with_array("md0", disks, **({"members_wanted": 3} | facts)).snapshot()


def bond_snapshot(speed: int = 10_000, **bond: Any) -> Snapshot:
    """Give the facts of two ports in a bond, the second one of this speed."""
    box = Box().with_port("0000:00/1c.0").with_network("0000:00/1c.0", "wan0", speed=10_000)
    box.with_port("0000:00/1c.1").with_network("0000:00/1c.1", "wan1", speed=speed)
    return box.with_bond("bond0", ("wan0", "wan1"), **bond).snapshot()


def without_groups(snapshot: Snapshot, groups: Iterable[str], gap: Unread) -> Snapshot:
    """Give the facts where these groups could not be read."""
    gaps: dict[str, Any] = dict.fromkeys(groups, gap)
    return replace(snapshot, **gaps)


def declare(text: str) -> Build:
    """Make a declaration of its text; schema and the box's name are added where they are left out."""
    table: dict[str, Any] = {"schema": 1, "box": {}} | tomllib.loads(text)
    table["box"] = {"name": "kelp-1"} | table["box"]
    return Build.model_validate(table)


def one_drive(serial: str = "FN1", **knobs: Any) -> Box:
    """Make a box of one drive in riser-1's place, with the knobs of `Box.with_drive`."""
    return Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", serial=serial, **knobs)


def kelp_box(drives: int = 4) -> Box:
    """Make a sound box: a slot split in branches of four lanes (``0000:00/01.1`` and on), a drive on each."""
    box = Box()
    for number in range(1, drives + 1):
        path = f"0000:00/{1 + (number - 1) // 7:02x}.{1 + (number - 1) % 7}"
        box.with_port(path).with_drive(path, serial=f"FN{number:04d}")
    return box
