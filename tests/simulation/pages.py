"""Bytes as devices give them: config space, Identify, log pages. Written from the standards' own layouts.

Sources: include/uapi/linux/pci_regs.h for config space; NVM Express Base Specification 2.0 for the NVMe structures
(Identify Controller, figure 275; SMART / Health Information, 5.16.1.3; Error Information, 5.16.1.2; Firmware Slot,
5.16.1.4).
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field

GT_S = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0, 6: 64.0}
EXPRESS_OFFSET = 0x40
KELVIN = 273
CORRECTABLE = ("RxErr", "BadTLP", "BadDLLP", "Rollover", "Timeout", "NonFatalErr", "CorrIntErr", "HeaderOF")
UNCORRECTABLE = (
    "Undefined", "DLP", "SDES", "TLP", "FCP", "CmpltTO", "CmpltAbrt", "UnxCmplt", "RxOF", "MalfTLP", "ECRC", "UnsupReq",
    "ACSViol", "UncorrIntErr", "BlockedTLP", "AtomicOpBlocked", "TLPBlockedErr", "PoisonTLPBlocked",
)  # fmt: skip


@dataclass(slots=True, kw_only=True)
class LinkSide:
    """One end of a link: what it can do, what it does, and its switches."""

    generation: int
    lanes: int
    trained_generation: int | None = None  # None: no link
    trained_lanes: int = 0
    target_generation: int | None = None  # None: the same as its own limit
    aspm_enabled: int = 0
    aspm_supported: int = 0
    port_type: int = 0
    slot_number: int | None = None
    counters: dict[str, int] = field(default_factory=dict)  # correctable AER counts by the kernel's short names
    has_aer: bool = True
    correctable_mask: int = 0x2000


def config_space(*, vendor: int, device: int, class_code: int, bridge: bool, link: LinkSide) -> bytes:
    """Lay out 4096 bytes: header, PCI Express capability at 40h, AER at 100h."""
    space = bytearray(4096)
    struct.pack_into("<HHHH", space, 0, vendor, device, 0x0406, 0x0010)
    space[8] = 1
    space[9:12] = class_code.to_bytes(3, "little")
    space[14] = 1 if bridge else 0
    space[0x34] = EXPRESS_OFFSET
    flags = 2 | link.port_type << 4 | (1 << 8 if link.slot_number is not None else 0)
    own_rate = link.generation
    trained = link.trained_generation or 0
    status = (trained or 1) | link.trained_lanes << 4 | (1 << 13 if trained else 0)
    capabilities = own_rate | link.lanes << 4 | link.aspm_supported << 10 | 1 << 20
    express = EXPRESS_OFFSET
    struct.pack_into("<BBH", space, express, 0x10, 0, flags)
    struct.pack_into("<IHH", space, express + 0x04, 0x8002, 0x0007 | 1 << 5 | 2 << 12, 0)  # 256 bytes
    struct.pack_into("<IHH", space, express + 0x0C, capabilities, link.aspm_enabled, status)
    if link.slot_number is not None:
        struct.pack_into("<IHH", space, express + 0x14, link.slot_number << 19, 0, 1 << 6 if trained else 0)
    struct.pack_into("<I", space, express + 0x2C, (1 << own_rate + 1) - 2)
    struct.pack_into("<HH", space, express + 0x30, link.target_generation or own_rate, 0)
    if link.has_aer:
        struct.pack_into("<IIII", space, 0x100, 0x0001 | 2 << 16, 0, 0, 0x00462030)
        struct.pack_into("<II", space, 0x110, 0, link.correctable_mask)
    return bytes(space)


def aer_text(names: tuple[str, ...], total: str, counts: Mapping[str, int]) -> str:
    """Write one class of AER counters as the kernel does: a line a bit, then the total."""
    lines = [f"{name} {counts.get(name, 0)}" for name in names]
    return "\n".join([*lines, f"{total} {sum(counts.values())}", ""])


@dataclass(slots=True, kw_only=True)
class Health:
    """The counters of log 02h, to be counted up by a simulation."""

    critical_warning: int = 0
    temperature_celsius: float = 38.0
    spare_percent: int = 100
    spare_threshold_percent: int = 10
    percentage_used: int = 1
    data_units_read: int = 1_000_000
    data_units_written: int = 900_000
    host_reads: int = 20_000_000
    host_writes: int = 18_000_000
    busy_minutes: int = 900
    power_cycles: int = 12
    power_on_hours: int = 2000
    unsafe_shutdowns: int = 1
    media_errors: int = 0
    error_log_entries: int = 0
    warning_minutes: int = 0
    critical_minutes: int = 0
    thermal_transitions_1: int = 0
    thermal_seconds_1: int = 0


def health_log(health: Health) -> bytes:
    """Lay out log page 02h, 512 bytes."""
    page = bytearray(512)
    kelvin = round(health.temperature_celsius) + KELVIN
    struct.pack_into(
        "<BHBBB", page, 0, health.critical_warning, kelvin, health.spare_percent, health.spare_threshold_percent,
        min(health.percentage_used, 255),
    )  # fmt: skip
    wide = (
        health.data_units_read, health.data_units_written, health.host_reads, health.host_writes, health.busy_minutes,
        health.power_cycles, health.power_on_hours, health.unsafe_shutdowns, health.media_errors,
        health.error_log_entries,
    )  # fmt: skip
    for index, value in enumerate(wide):
        page[32 + 16 * index : 48 + 16 * index] = value.to_bytes(16, "little")
    struct.pack_into("<IIH", page, 192, health.warning_minutes, health.critical_minutes, kelvin)
    struct.pack_into("<IIII", page, 216, health.thermal_transitions_1, 0, health.thermal_seconds_1, 0)
    return bytes(page)


def identify_controller(
    *,
    serial: str,
    model: str,
    firmware: str,
    capacity_bytes: int,
    vendor: int,
    warning_celsius: int,
    critical_celsius: int,
) -> bytes:
    """Lay out Identify Controller, 4096 bytes, with three operational and two idle power states."""
    page = bytearray(4096)
    names = (serial.encode().ljust(20), model.encode().ljust(40), firmware.encode().ljust(8))
    struct.pack_into("<HH20s40s8s", page, 0, vendor, vendor, *names)
    page[77] = 7
    struct.pack_into("<HI", page, 78, 1, 0x00010400)
    page[262], page[263], page[265] = 63, 4, 1
    struct.pack_into("<HH", page, 266, warning_celsius + KELVIN, critical_celsius + KELVIN)
    page[280:296] = capacity_bytes.to_bytes(16, "little")
    struct.pack_into("<I", page, 516, 1)
    page[525] = 1
    states = ((900, 0, 0, 0), (600, 0, 0, 0), (400, 0, 0, 0), (5, 1, 5000, 10000), (1, 1, 50000, 45000))
    for number, (centiwatts, idle, entry, leave) in enumerate(states):
        struct.pack_into("<HBBII", page, 2048 + 32 * number, centiwatts, 0, 2 if idle else 0, entry, leave)
    return bytes(page)


def autonomous_transitions(*, enabled: bool) -> tuple[int, bytes]:
    """Give feature 0Ch: its value, and 32 entries that lead into state 3 after 100 ms and state 4 after 2 s."""
    entries = [3 << 3 | 100 << 8] * 3 + [4 << 3 | 2000 << 8] + [0] * 28
    return int(enabled), struct.pack("<32Q", *(entries if enabled else [0] * 32))
