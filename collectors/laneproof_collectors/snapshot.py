"""The facts of one pass: plain, frozen, with units in their names; no judgement.

In every field, `Unread` says that a reading failed and why, and ``None`` says that the machine has no such thing. A
code that no table knows stays the raw integer. Each part names the collectors that read it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from laneproof_collectors.unread import Unread

# --- PCI Express (pcie/) ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEnd:
    """What one end of a link reports of it in sysfs. ``None``: the function has no link."""

    trained_gt_s: float | Unread | None
    trained_lanes: int | Unread | None
    capable_gt_s: float | Unread | None
    capable_lanes: int | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotRegisters:
    """Slot Capabilities of a downstream port. Source: pci_regs.h, ``PCI_EXP_SLTCAP``."""

    number: int
    hot_plug_capable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpressRegisters:
    """The PCI Express capability, from config space. Source: pci_regs.h, ``PCI_EXP_*``.

    A rate whose code no table knows is `Unread`. `aspm_supported` and `aspm_enabled` are bit fields: 1 L0s, 2 L1.
    """

    port_type: int  # 0 end point, 4 root port, 5 upstream port, 6 downstream port, 9 integrated end point ...
    slot: SlotRegisters | None
    reports_correctable: bool  # Device Control bit 0
    link: "LinkRegisters | None"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkRegisters:
    """Link Capabilities, Control, Status, Control 2 and Status 2 of one end."""

    capable_gt_s: float | Unread
    capable_lanes: int
    trained_gt_s: float | Unread
    trained_lanes: int
    target_gt_s: float | Unread | None  # Link Control 2; None before capability version 2
    aspm_supported: int
    aspm_enabled: int
    bandwidth_management_status: bool  # sticky: retrained for reliability or by software
    autonomous_bandwidth_status: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AerCounters:
    """Advanced Error Reporting, as the kernel counted since this function was last enumerated.

    Keys are the kernel's short names (``RxErr``, ``BadTLP`` ...); an unnamed bit keeps the kernel's own line name. The
    root port totals are ``None`` elsewhere. A class that failed to read is `Unread` by itself.
    """

    correctable: Mapping[str, int] | Unread
    nonfatal: Mapping[str, int] | Unread
    fatal: Mapping[str, int] | Unread
    root_correctable: int | Unread | None = None
    root_nonfatal: int | Unread | None = None
    root_fatal: int | Unread | None = None


ASLEEP = ("suspended", "suspending", "D3hot", "D3cold")
"""Words of ``power/runtime_status`` and ``power_state`` for a function that sleeps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionPower:
    """Power management of one PCI function, from sysfs; never wakes it."""

    state: str | Unread | None  # D0, D1, D2, D3hot, D3cold, unknown
    control: str | Unread | None  # auto | on
    runtime_status: str | Unread | None  # active | suspended | suspending | resuming | error | unsupported
    link_states: Mapping[str, bool | Unread]  # the files of link/: clkpm, l0s_aspm, l1_aspm, l1_1_aspm ...

    @property
    def sleeps(self) -> bool:
        """Whether a reading of the device itself could wake it."""
        return self.runtime_status in ASLEEP or self.state in ASLEEP


@dataclass(frozen=True, slots=True, kw_only=True)
class PciFunction:
    """One PCI function, with its path in the tree."""

    address: str  # dddd:bb:dd.f; domains may have five digits
    root: str  # the host bridge: dddd:bb
    hops: tuple[str, ...]  # device.function of each function from the host bridge down to this one, itself last
    class_code: int | Unread  # 24 bits
    vendor_id: int | Unread
    device_id: int | Unread
    vendor_name: str | None = None  # from the system's pci.ids, None where it has none
    device_name: str | None = None
    driver: str | None = None
    remapped_nvme: int | Unread | None = None  # NVMe drives that the firmware hides in it; None: it can hide none
    label: str | None = None  # the firmware's own name for it (ACPI or SMBIOS), where there is one
    # in a case that may be unplugged (Thunderbolt); Documentation/ABI/testing/sysfs-devices-removable
    removable: bool = False
    link: LinkEnd
    express: ExpressRegisters | Unread | None  # None: no such capability
    aer: AerCounters | None  # None: no AER capability, or the kernel does not own AER
    correctable_mask: int | Unread | None  # of the AER capability (0001h); None: there is none
    power: FunctionPower
    answers: bool = True  # False: config space reads all ones, the function is gone from the bus

    @property
    def own_path(self) -> str:
        """The function itself as a path: ``0000:00/01.1/00.0``."""
        return "/".join((self.root, *self.hops))

    @property
    def path(self) -> str:
        """The position it is in: the chain of bridges above it, or its own path where no bridge is above it."""
        return "/".join((self.root, *(self.hops[:-1] or self.hops)))

    @property
    def is_bridge(self) -> bool:
        """Whether it is a PCI-to-PCI bridge (class 0604h), so that others can be below it."""
        return isinstance(self.class_code, int) and self.class_code >> 8 == 0x0604  # noqa: PLR2004 (PCI_CLASS_BRIDGE_PCI)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhysicalSlot:
    """A slot by its name on the board: from ``/sys/bus/pci/slots``, or from SMBIOS type 9."""

    name: str
    address: str | None  # dddd:bb:dd, without function; None where the table does not say
    electrical_lanes: int | None = None
    source: str = "sysfs"  # sysfs | smbios


# --- NVMe (nvme/) -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerState:
    """One power state descriptor of Identify Controller."""

    number: int
    non_operational: bool
    exit_us: int | None = None  # the longest time that leaving it takes; None: not reported (0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NvmeIdentity:
    """Identify Controller: the fields that bear on identity, heat and power. 0 K is ``None``: not reported."""

    serial: str
    model: str
    firmware: str
    autonomous_transitions_supported: bool
    warning_temperature_celsius: float | None
    critical_temperature_celsius: float | None
    total_capacity_bytes: int | None  # TNVMCAP; None: not reported (0)
    power_states: tuple[PowerState, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthLog:
    """SMART / Health Information, log page 02h. Counters are exact: Python's integers hold 128 bits.

    Source: NVM Express Base Specification 2.0, 5.16.1.3.
    """

    critical_warning: int
    composite_temperature_celsius: float | None  # None: 0 K, not reported
    available_spare_percent: int
    available_spare_threshold_percent: int
    percentage_used: int
    endurance_group_warning: int
    data_units_read: int  # of 512,000 bytes
    data_units_written: int
    host_read_commands: int
    host_write_commands: int
    controller_busy_minutes: int
    power_cycles: int
    power_on_hours: int
    unsafe_shutdowns: int
    media_errors: int
    error_log_entries: int
    warning_temperature_minutes: int
    critical_temperature_minutes: int
    sensor_celsius: Mapping[int, float]  # sensor number 1..8 -> reading, only those implemented
    thermal_transitions_1: int
    thermal_transitions_2: int
    thermal_seconds_1: int
    thermal_seconds_2: int
    source: str = "log"  # log: the admin command; smartctl: through pySMART, which does not give all: see `absent`
    absent: tuple[str, ...] = ()  # names of the fields that the source does not give


@dataclass(frozen=True, slots=True, kw_only=True)
class AutonomousTransitions:
    """Feature 0Ch: whether the drive changes power state by itself, and from which state after what idle time."""

    enabled: bool
    transitions: Mapping[int, tuple[int, int]]  # from state -> (to state, idle milliseconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class NvmeNamespace:
    """One namespace as a disk of the kernel."""

    name: str  # nvme0n1
    number: int | Unread
    size_bytes: int | Unread
    eui64: str | None = None
    nguid: str | None = None
    uuid: str | None = None
    wwid: str | None = None
    statistics: "BlockStatistics | Unread | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockStatistics:
    """``/sys/block/DISK/stat``: counts since the disk appeared. Source: Documentation/block/stat.rst."""

    reads: int
    read_bytes: int
    read_milliseconds: int
    writes: int
    written_bytes: int
    write_milliseconds: int
    busy_milliseconds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureReading:
    """One hwmon temperature with its limits, in degrees Celsius."""

    label: str
    celsius: float | Unread
    maximum_celsius: float | Unread | None = None
    critical_celsius: float | Unread | None = None
    alarm: bool | Unread | None = None  # what it measures says itself that it is beyond a threshold


@dataclass(frozen=True, slots=True, kw_only=True)
class NvmeController:
    """One NVMe controller."""

    name: str  # nvme0
    address: str | None  # PCI address; None for one on the platform or across a network
    path: str | None = None  # where that one is: platform/..., fabrics/...
    state: str | Unread  # live, connecting, dead ...
    model: str | Unread
    serial: str | Unread
    firmware: str | Unread
    controller_id: int | Unread
    namespaces: tuple[NvmeNamespace, ...]
    identity: NvmeIdentity | Unread
    health: HealthLog | Unread
    autonomous_transitions: AutonomousTransitions | Unread | None  # None: the drive has none
    latency_tolerance_us: int | str | Unread | None  # the kernel's pm_qos_latency_tolerance_us: a number, any or auto
    temperatures: tuple[TemperatureReading, ...] = ()  # hwmon, read only where the health log fails

    @property
    def capacity_bytes(self) -> int | None:
        """What it can hold: TNVMCAP where stated, else the sum of its namespaces; ``None`` where neither is known."""
        if not isinstance(self.identity, Unread) and self.identity.total_capacity_bytes:
            return self.identity.total_capacity_bytes
        sizes = [namespace.size_bytes for namespace in self.namespaces if isinstance(namespace.size_bytes, int)]
        return sum(sizes) if sizes and len(sizes) == len(self.namespaces) else None


# --- kernel power settings (power_settings.py) ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting in force, and where it came from."""

    value: str
    origin: str  # command-line | module-option | sysfs | default | firmware


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelPower:
    """The kernel's own power settings, each with its origin."""

    command_line: tuple[str, ...] | Unread  # the words of /proc/cmdline
    aspm_policy: Setting | Unread | None  # None: a kernel without ASPM
    aspm_forced_off: bool | Unread  # pcie_aspm=off: the kernel leaves ASPM as the firmware set it
    port_power_management: Setting | Unread  # pcie_port_pm=
    nvme_max_latency_us: Setting | Unread | None  # nvme_core.default_ps_max_latency_us; None: module not loaded
    # value: os | off ; why the kernel's error reporting is off, where it shows
    aer_owner: Setting | Unread | None = None


# --- firmware and board (firmware.py) ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """Who made the board, which firmware it runs, and which kernel."""

    board_vendor: str | Unread | None
    board_name: str | Unread | None
    bios_version: str | Unread | None
    bios_date: str | Unread | None  # as the table has it: mm/dd/yyyy
    kernel_release: str | Unread
    host_name: str | Unread
    boot_id: str | Unread


# --- memory (memory.py) -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryModule:
    """One SMBIOS type 17 structure that holds a module."""

    locator: str
    bank: str
    size_bytes: int | None  # None: unknown
    rated_mt_s: int | None
    configured_mt_s: int | None
    ecc: bool | None  # total width beyond data width
    part: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EdacController:
    """One memory controller's error counts, from EDAC."""

    name: str
    correctable: int | Unread
    uncorrectable: int | Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """The memory as SMBIOS and the kernel report it."""

    total_bytes: int | Unread  # the kernel's MemTotal
    modules: tuple[MemoryModule, ...] | Unread
    error_correction: int | None  # SMBIOS type 16 code; None where there is no such table
    edac: tuple[EdacController, ...]


# --- the rest of the box ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayMember:
    """One device of an array."""

    name: str  # the disk or partition: nvme0n1p2
    disk: str  # the whole disk: nvme0n1
    state: str | Unread  # md's comma list: in_sync, faulty, spare ...; btrfs: present | missing
    slot: int | None
    errors: int | Unread | None
    bad_block_sectors: int | Unread | None = None  # md: sectors in the member's list of bad blocks


@dataclass(frozen=True, slots=True, kw_only=True)
class Array:
    """One md array, btrfs file system or ZFS pool."""

    name: str
    kind: str  # md | btrfs | zfs
    level: str | Unread
    state: str | Unread
    members_wanted: int | Unread | None
    degraded: int | Unread | None
    size_bytes: int | Unread | None
    members: tuple[ArrayMember, ...]
    sync_action: str | Unread | None = None
    sync_completed: float | Unread | None = None  # share 0..1; None: nothing runs
    sync_bytes_per_second: float | Unread | None = None
    mismatch_sectors: int | Unread | None = None
    last_check_unix_seconds: float | None = None
    # of btrfs: device -> name -> count
    error_statistics: Mapping[str, Mapping[str, int] | Unread] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interface:
    """One network interface that has a device behind it."""

    name: str
    address: str | None  # PCI address of the device, None for others
    operational_state: str | Unread
    speed_mbit_s: int | Unread | None  # None: down, no speed
    duplex: str | Unread | None
    carrier_changes: int | Unread | None
    receive_errors: int | Unread | None
    transmit_errors: int | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BondMember:
    """One interface of a bond."""

    name: str
    mii_status: str | Unread
    aggregator_id: int | Unread | None
    link_failures: int | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bond:
    """One bond."""

    name: str
    mode: str | Unread
    members: tuple[BondMember, ...]
    transmit_hash: str | Unread | None
    active_aggregator: int | Unread | None
    aggregated_ports: int | Unread | None
    partner_mac: str | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """One fan of a hwmon chip."""

    chip: str
    label: str
    rpm: int | Unread
    minimum_rpm: int | Unread | None
    alarm: bool | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerMeter:
    """One power reading: a hwmon input, or the energy counter of a processor package (powercap)."""

    name: str
    watts: float | Unread | None
    energy_joules: float | Unread | None = None  # a running counter


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """Heat and power of board and processor."""

    temperatures: tuple[tuple[str, TemperatureReading], ...] = ()  # chip name and reading
    fans: tuple[Fan, ...] = ()
    power: tuple[PowerMeter, ...] = ()
    throttle_counts: Mapping[str, int] = field(default_factory=dict)  # core_throttle_count by package


@dataclass(frozen=True, slots=True, kw_only=True)
class SataDrive:
    """A SATA, SAS or USB drive as smartctl reports it, through pySMART."""

    name: str  # sda
    path: str | None  # position path: the controller's, with its own hop (/ata-3)
    model: str | Unread
    serial: str | Unread
    firmware: str | Unread
    capacity_bytes: int | Unread
    asleep: bool
    healthy: bool | Unread | None
    temperature_celsius: float | Unread | None
    power_on_hours: int | Unread | None
    reallocated_sectors: int | Unread | None
    pending_sectors: int | Unread | None
    uncorrectable_sectors: int | Unread | None
    interface_errors: int | Unread | None
    last_self_test: str | Unread | None
    interface: str = "sata"
    wwid: str | None = None  # the kernel's world-wide name of it: naa.5000c500...
    recommended_celsius: float | None = None  # its own limits: up to what it may be used; None: it has none
    most_celsius: float | None = None  # beyond what it is at risk, or stops


@dataclass(frozen=True, slots=True, kw_only=True)
class MountedFileSystem:
    """One mounted file system on the box's disks."""

    mount: str
    device: str
    kind: str
    size_bytes: int | Unread
    available_bytes: int | Unread
    read_only: bool | Unread
    declared_read_only: bool | None  # mounted so by its own options; None: the table that could be read does not say
    free_bytes: int | Unread | None = None  # what is kept for root included

    @property
    def used_share(self) -> float | Unread | None:
        """How full it is for who may not use what is kept for root, 0..1; ``None`` where it has no size to speak of.

        Source: df(1) and psutil reckon so: used / (used + available).
        """
        for figure in (self.size_bytes, self.available_bytes, self.free_bytes):
            if isinstance(figure, Unread):
                return figure
        if not isinstance(self.size_bytes, int) or not isinstance(self.available_bytes, int):
            return None
        free = self.free_bytes if isinstance(self.free_bytes, int) else self.available_bytes
        used = max(0, self.size_bytes - free)
        room = used + max(0, self.available_bytes)
        return used / room if room else None


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedDevice:
    """One device of the device mapper: an encrypted disk, a logical volume."""

    name: str  # dm-2
    label: str  # what it is called below /dev/mapper; empty where that could not be read
    disks: tuple[str, ...]  # the whole disks that it lies on


# --- the whole --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Everything the collectors read in one pass. A group that its collector could not give is `Unread` as a whole."""

    taken_at: float  # unix seconds
    up_seconds: float  # time in suspend included
    monotonic_seconds: float | None = None  # without it, as kernel messages are stamped; None: an older recording
    functions: tuple[PciFunction, ...] | Unread
    slots: tuple[PhysicalSlot, ...] | Unread
    controllers: tuple[NvmeController, ...] | Unread
    power: KernelPower | Unread
    firmware: Firmware | Unread
    memory: Memory | Unread
    arrays: tuple[Array, ...] | Unread
    interfaces: tuple[Interface, ...] | Unread
    bonds: tuple[Bond, ...] | Unread
    thermal: Thermal | Unread
    drives: tuple[SataDrive, ...] | Unread
    file_systems: tuple[MountedFileSystem, ...] | Unread
    mapped: tuple[MappedDevice, ...] | Unread = ()

    @property
    def boot_id(self) -> str:
        """The boot this belongs to, empty where it could not be read."""
        boot_id = None if isinstance(self.firmware, Unread) else self.firmware.boot_id
        return boot_id if isinstance(boot_id, str) else ""


GROUPS = frozenset(Snapshot.__dataclass_fields__) - {"taken_at", "up_seconds", "monotonic_seconds"}
"""The groups of facts, each read by a collector of its own."""
