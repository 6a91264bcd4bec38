"""What an NVMe drive answers to Identify, Get Log Page and Get Features: bytes in, facts out.

Rules of this module: pure and total; any bytes of any length give a fact or one reason. A page that cannot be a drive's
(a wrong length, all ones, all zeros, values that the standard rules out) is unread as a whole, since nothing else in it
deserves belief either. It asks nothing: that is ``nvme.py``.

Source of all offsets: NVM Express Base Specification 2.0 as the comments of libnvme's types.h restate it; names as in
the kernel's include/linux/nvme.h. The numbers of sections, 5.16.1.3 apart, are from memory.
"""

import struct
from enum import IntFlag
from functools import lru_cache

from laneproof_collectors.snapshot import (
    AutonomousTransitions,
    ErrorEntry,
    FirmwareSlots,
    HealthLog,
    NvmeIdentity,
    PowerState,
)
from laneproof_collectors.unread import Unread

IDENTIFY_BYTES = 4096
HEALTH_BYTES = 512
ERROR_ENTRY_BYTES = 64
FIRMWARE_SLOT_BYTES = 512
AUTONOMOUS_TRANSITION_BYTES = 256

ERROR_LOG, HEALTH_LOG, FIRMWARE_SLOT_LOG = 0x01, 0x02, 0x03
"""Log page identifiers. Source: nvme.h, ``NVME_LOG_ERROR``, ``NVME_LOG_SMART``, ``NVME_LOG_FW_SLOT``."""

AUTONOMOUS_TRANSITIONS_FEATURE = 0x0C
"""Source: nvme.h, ``NVME_FEAT_AUTO_PST``."""

KELVIN_AT_ZERO_CELSIUS = 273
"""Drives count whole kelvin, and 273 is what tools take off (the kernel's hwmon takes 273.15)."""


class CriticalWarning(IntFlag):
    """The bits of the critical warning byte: a state, not latched.

    Source: section 5.16.1.3; nvme.h, ``NVME_SMART_CRIT_*`` (the last one has no name there).
    """

    SPARE = 1 << 0  # available spare is below its threshold
    TEMPERATURE = 1 << 1  # over, or under, a threshold
    RELIABILITY = 1 << 2  # degraded by media errors or an internal error
    MEDIA = 1 << 3  # read only
    VOLATILE_MEMORY = 1 << 4  # the backup of volatile memory failed
    PERSISTENT_MEMORY = 1 << 5  # the persistent memory region became read only or unreliable


COLDEST_CELSIUS, HOTTEST_CELSIUS = -173, 227
"""A drive neither works nor survives beyond these: a page that says so is not believed (common practice, no source)."""

_COLDEST_KELVIN, _HOTTEST_KELVIN = COLDEST_CELSIUS + KELVIN_AT_ZERO_CELSIUS, HOTTEST_CELSIUS + KELVIN_AT_ZERO_CELSIUS
_MOST_PERCENT = 100  # available spare and its threshold are "0% to 100%"; only percentage used may pass it
_ALL_ONES = "every byte reads FFh, as from a drive that no longer answers"
_HEALTH = struct.Struct("<BHBBBB25x16s16s16s16s16s16s16s16s16s16sII8H4I")


def _emptiness(raw: bytes) -> str | None:
    """Say why a page holds nothing, where it does."""
    if not raw.strip(b"\xff"):
        return _ALL_ONES
    if not raw.strip(b"\0"):
        return "every byte reads 0"
    return None


def _wrong_length(raw: bytes, wanted: int, what: str) -> Unread | None:
    return None if len(raw) == wanted else Unread(what, f"{len(raw)} bytes instead of {wanted}")


def _celsius(kelvin: int) -> float | None:
    return float(kelvin - KELVIN_AT_ZERO_CELSIUS) if kelvin else None


def _text(raw: bytes) -> str:
    return raw.decode("ascii", "replace").strip(" \0")


def parse_health(raw: bytes | Unread, *, what: str) -> HealthLog | Unread:
    """Parse SMART / Health Information, log page 02h.

    Args:
        raw: The page, 512 bytes.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        Every field, the 128-bit counters exact; a sensor that reads what no drive survives is left out and named in
        `absent`. Otherwise the reason why there is none.

    Source: section 5.16.1.3.
    """
    if isinstance(raw, Unread):
        return raw
    if wrong := _wrong_length(raw, HEALTH_BYTES, what):
        return wrong
    if why := _emptiness(raw[: _HEALTH.size]):
        return Unread(what, why)
    warning, kelvin, spare, threshold, used, group_warning, *rest = _HEALTH.unpack_from(raw)
    counters = [int.from_bytes(one, "little") for one in rest[:10]]
    warning_minutes, critical_minutes, *sensors = rest[10:20]
    transitions_1, transitions_2, seconds_1, seconds_2 = rest[20:]
    if kelvin and not _COLDEST_KELVIN <= kelvin <= _HOTTEST_KELVIN:
        return Unread(what, f"its composite temperature reads {kelvin} K, which no drive survives")
    if max(spare, threshold) > _MOST_PERCENT:
        return Unread(what, f"its available spare and threshold read {spare} % and {threshold} %, at most 100 % may be")
    readings = {number: sensor for number, sensor in enumerate(sensors, start=1) if sensor}
    sound = {number: one for number, one in readings.items() if _COLDEST_KELVIN <= one <= _HOTTEST_KELVIN}
    return HealthLog(
        critical_warning=warning,
        composite_temperature_celsius=_celsius(kelvin),
        available_spare_percent=spare,
        available_spare_threshold_percent=threshold,
        percentage_used=used,
        endurance_group_warning=group_warning,
        data_units_read=counters[0],
        data_units_written=counters[1],
        host_read_commands=counters[2],
        host_write_commands=counters[3],
        controller_busy_minutes=counters[4],
        power_cycles=counters[5],
        power_on_hours=counters[6],
        unsafe_shutdowns=counters[7],
        media_errors=counters[8],
        error_log_entries=counters[9],
        warning_temperature_minutes=warning_minutes,
        critical_temperature_minutes=critical_minutes,
        sensor_celsius={number: float(one - KELVIN_AT_ZERO_CELSIUS) for number, one in sound.items()},
        thermal_transitions_1=transitions_1,
        thermal_transitions_2=transitions_2,
        thermal_seconds_1=seconds_1,
        thermal_seconds_2=seconds_2,
        absent=tuple(f"sensor_celsius[{number}]" for number in readings if number not in sound),
    )


_ERROR_ENTRY = struct.Struct("<QHHHHQI")
_STATUS_CODE_SHIFT, _STATUS_TYPE_SHIFT = 1, 9  # bit 0 is the phase tag; code in bits 8:1, type in bits 11:9


def parse_error_log(raw: bytes | Unread, *, what: str) -> tuple[ErrorEntry, ...] | Unread:
    """Parse Error Information, log page 01h.

    Args:
        raw: As many entries of 64 bytes as were asked for, newest first.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        The entries in use, newest first, or why there are none to be had.

    Source: section 5.16.1.2.
    """
    if isinstance(raw, Unread):
        return raw
    if not raw or len(raw) % ERROR_ENTRY_BYTES:
        return Unread(what, f"{len(raw)} bytes, no whole number of {ERROR_ENTRY_BYTES}-byte entries")
    if not raw.strip(b"\xff"):
        return Unread(what, _ALL_ONES)
    entries = []
    for offset in range(0, len(raw), ERROR_ENTRY_BYTES):
        count, queue, command, status, _location, lba, namespace = _ERROR_ENTRY.unpack_from(raw, offset)
        if count:  # 0 marks an entry that was never used
            entries.append(
                ErrorEntry(
                    error_count=count,
                    submission_queue=queue,
                    command_id=command,
                    status_code_type=status >> _STATUS_TYPE_SHIFT & 0x7,
                    status_code=status >> _STATUS_CODE_SHIFT & 0xFF,
                    lba=lba,
                    namespace=namespace,
                )
            )
    return tuple(entries)


_REVISIONS_OFFSET, _REVISION_BYTES, _SLOTS = 8, 8, 7


def parse_firmware_slots(raw: bytes | Unread, *, what: str) -> FirmwareSlots | Unread:
    """Parse Firmware Slot Information, log page 03h.

    Args:
        raw: The page, 512 bytes.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        The active slot, the one that the next reset brings, and the revisions; or why there are none.

    Source: section 5.16.1.4; bits 6:4 of the first byte from memory.
    """
    if isinstance(raw, Unread):
        return raw
    if wrong := _wrong_length(raw, FIRMWARE_SLOT_BYTES, what):
        return wrong
    if why := _emptiness(raw):
        return Unread(what, why)
    return _share_slots(raw)


# Pages that hardly ever change: most passes build none of these.
@lru_cache(maxsize=256)
def _share_slots(raw: bytes) -> FirmwareSlots:
    revisions = {}
    for slot in range(1, _SLOTS + 1):
        offset = _REVISIONS_OFFSET + (slot - 1) * _REVISION_BYTES
        if revision := _text(raw[offset : offset + _REVISION_BYTES]):
            revisions[slot] = revision
    return FirmwareSlots(active=raw[0] & 0x7, next_reset=(raw[0] >> 4 & 0x7) or None, revisions=revisions)


_TRANSITION = struct.Struct("<32Q")


def parse_autonomous_transitions(value: int, data: bytes, *, what: str) -> AutonomousTransitions | Unread:
    """Parse feature 0Ch, Autonomous Power State Transition.

    Args:
        value: Double word 0 of the completion.
        data: The feature's data, 256 bytes: a quad word for each power state.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        Whether it is on, and which state leads to which after how long; or why that is not known.

    Source: section 5.27.1.9.
    """
    if wrong := _wrong_length(data, AUTONOMOUS_TRANSITION_BYTES, what):
        return wrong
    if not data.strip(b"\xff"):
        return Unread(what, _ALL_ONES)
    return _share_transitions(value, data)


@lru_cache(maxsize=256)
def _share_transitions(value: int, data: bytes) -> AutonomousTransitions:
    transitions = {
        state: (entry >> 3 & 0x1F, entry >> 8 & 0xFFFFFF)
        for state, entry in enumerate(_TRANSITION.unpack(data))
        if entry >> 3 & 0x1F  # state 0 as a goal means that this state leads nowhere
    }
    return AutonomousTransitions(enabled=bool(value & 1), transitions=transitions)


# Identify Controller. Offset and shape of what is read; everything else stays in the recording.
_VENDORS = struct.Struct("<HH20s40s8s")  # 0: VID, SSVID, SN, MN, FR
_MDTS_OFFSET = 77
_CNTLID_VERSION = struct.Struct("<HI")  # 78
_ELPE_OFFSET, _NPSS_OFFSET, _APSTA_OFFSET = 262, 263, 265
_TEMPERATURES = struct.Struct("<HH")  # 266: WCTEMP, CCTEMP
_CAPACITIES = struct.Struct("<16s16s")  # 280: TNVMCAP, UNVMCAP
_HOST_THERMAL = struct.Struct("<HHH")  # 322: HCTMA, MNTMT, MXTMT
_NN = struct.Struct("<I")  # 516
_VWC_OFFSET = 525
_POWER_STATES_OFFSET, _POWER_STATE_BYTES, _MOST_POWER_STATES = 2048, 32, 32
_SMALLEST_PAGE_BYTES = 4096  # MDTS counts in CAP.MPSMIN pages; a PC's controller has 4096 (common practice, no source)
_LARGEST_TRANSFER_SHIFT = 51  # beyond, 4096 << MDTS leaves the 64 bits that any address has


def parse_identify(raw: bytes | Unread, *, what: str) -> NvmeIdentity | Unread:
    """Parse the Identify Controller structure (CNS 01h).

    Args:
        raw: The structure, 4096 bytes.
        what: Where it was read, for the sentence that a person will see.

    Returns:
        The fields that bear on identity, heat and power, or why there are none.

    Source: section 5.17.2.1.
    """
    if isinstance(raw, Unread):
        return raw
    if wrong := _wrong_length(raw, IDENTIFY_BYTES, what):
        return wrong
    if why := _emptiness(raw[: _VENDORS.size]):
        return Unread(what, why)
    vendor, subsystem_vendor, serial, model, firmware = _VENDORS.unpack_from(raw)
    controller_id, version = _CNTLID_VERSION.unpack_from(raw, 78)
    states = raw[_NPSS_OFFSET] + 1  # 0's based, as ELPE
    if states > _MOST_POWER_STATES:
        return Unread(what, f"it claims {states} power states, the structure has room for {_MOST_POWER_STATES}")
    if raw[_MDTS_OFFSET] > _LARGEST_TRANSFER_SHIFT:
        return Unread(what, f"its largest transfer reads 2^{raw[_MDTS_OFFSET]} pages, which nothing can address")
    warning, critical = _TEMPERATURES.unpack_from(raw, 266)
    total, unallocated = (int.from_bytes(one, "little") for one in _CAPACITIES.unpack_from(raw, 280))
    host_managed, coldest, hottest = _HOST_THERMAL.unpack_from(raw, 322)
    lower, upper = _celsius(coldest), _celsius(hottest)
    return NvmeIdentity(
        vendor_id=vendor,
        subsystem_vendor_id=subsystem_vendor,
        serial=_text(serial),
        model=_text(model),
        firmware=_text(firmware),
        controller_id=controller_id,
        version=(version >> 16, version >> 8 & 0xFF, version & 0xFF),
        max_data_transfer_bytes=_SMALLEST_PAGE_BYTES << raw[_MDTS_OFFSET] if raw[_MDTS_OFFSET] else None,
        error_log_entries=raw[_ELPE_OFFSET] + 1,
        autonomous_transitions_supported=bool(raw[_APSTA_OFFSET] & 1),
        warning_temperature_celsius=_celsius(warning),
        critical_temperature_celsius=_celsius(critical),
        total_capacity_bytes=total or None,
        unallocated_capacity_bytes=unallocated if total else None,
        host_managed_temperature_range_celsius=(
            (lower, upper) if host_managed & 1 and lower is not None and upper is not None else None
        ),
        namespace_count=_NN.unpack_from(raw, 516)[0],
        volatile_write_cache=bool(raw[_VWC_OFFSET] & 1),
        power_states=tuple(
            _parse_power_state(number, raw, _POWER_STATES_OFFSET + number * _POWER_STATE_BYTES)
            for number in range(states)
        ),
    )


_POWER_STATE = struct.Struct("<HBBII4xHBxHB")
_COARSE, _FINE = 100, 10_000  # a power's unit is 0.01 W or 0.0001 W
_UNITS_PER_WATT = {1: _FINE, 2: _COARSE}  # the power scale in bits 7:6; 0 is not reported, 3 reserved


def _parse_power_state(number: int, raw: bytes, offset: int) -> PowerState:
    """Parse one power state descriptor. Source: section 5.17.2.1."""
    most, _, flags, entry, leave, idle, idle_scale, active, active_scale = _POWER_STATE.unpack_from(raw, offset)
    return PowerState(
        number=number,
        max_power_watts=most / (_FINE if flags & 1 else _COARSE),
        non_operational=bool(flags & 2),
        entry_latency_us=entry,
        exit_latency_us=leave,
        idle_power_watts=_watts(idle, idle_scale),
        active_power_watts=_watts(active, active_scale),
    )


def _watts(power: int, scale: int) -> float | None:
    units = _UNITS_PER_WATT.get(scale >> 6)
    return power / units if units else None
