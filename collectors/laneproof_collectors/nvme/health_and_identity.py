"""What an NVMe drive answers to Identify, Get Log Page and Get Features: bytes in, facts out.

Rules of this module: pure and total; any bytes of any length give a fact or one reason. A page that cannot be a drive's
(a wrong length, all ones, all zeros, several values that the standard rules out) is unread as a whole, since nothing in
it deserves belief; a single such value is that field's own fault, and the others count. It asks nothing: that is
``controllers.py``.

Source of all offsets: NVM Express Base Specification 2.0 as the comments of libnvme's types.h restate it; names as in
the kernel's include/linux/nvme.h. The numbers of sections, 5.16.1.3 apart, are from memory.
"""

import struct
from functools import lru_cache

from laneproof_collectors.snapshot import AutonomousTransitions, HealthLog, NvmeIdentity, PowerState
from laneproof_collectors.unread import Unread

IDENTIFY_BYTES = 4096
HEALTH_BYTES = 512
AUTONOMOUS_TRANSITION_BYTES = 256

HEALTH_LOG = 0x02
"""The one log page that is read. Source: nvme.h, ``NVME_LOG_SMART``."""

AUTONOMOUS_TRANSITIONS_FEATURE = 0x0C
"""Source: nvme.h, ``NVME_FEAT_AUTO_PST``."""

KELVIN_AT_ZERO_CELSIUS = 273
"""Drives count whole kelvin, and 273 is what tools take off (the kernel's hwmon takes 273.15)."""


COLDEST_CELSIUS, HOTTEST_CELSIUS = -173, 227
"""A drive neither works nor survives beyond these: a page that says so is not believed (common practice, no source)."""

_COLDEST_KELVIN, _HOTTEST_KELVIN = COLDEST_CELSIUS + KELVIN_AT_ZERO_CELSIUS, HOTTEST_CELSIUS + KELVIN_AT_ZERO_CELSIUS
_NOT_FILLED = 0xFF
_MOST_PERCENT = 100  # available spare and its threshold are "0% to 100%"; only percentage used may pass it
_ALL_ONES = "every byte reads FFh, as from a drive that no longer answers"
_HEALTH = struct.Struct("<BHBBBB25x16s16s16s16s16s16s16s16s16s16sII8H4I")


def _find_why_empty(raw: bytes) -> str | None:
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
    """Parse SMART / Health Information, log page 02h, of 512 bytes.

    Returns:
        Every field, the 128-bit counters exact; one that cannot be (a sensor that reads what no drive survives, a spare
        beyond 100 %) is left out and named in `absent`. Otherwise the reason why there is none.

    Source: section 5.16.1.3.
    """
    if isinstance(raw, Unread):
        return raw
    if wrong := _wrong_length(raw, HEALTH_BYTES, what):
        return wrong
    if why := _find_why_empty(raw[: _HEALTH.size]):
        return Unread(what, why)
    warning, kelvin, spare, threshold, used, group_warning, *rest = _HEALTH.unpack_from(raw)
    counters = [int.from_bytes(counter, "little") for counter in rest[:10]]
    warning_minutes, critical_minutes, *sensors = rest[10:20]
    transitions_1, transitions_2, seconds_1, seconds_2 = rest[20:]
    odd = _find_odd(kelvin, spare, threshold)
    if len(odd) > 1:
        return Unread(what, " and ".join(odd.values()))
    if "available_spare_threshold_percent" in odd and used == _NOT_FILLED == threshold:
        odd["percentage_used"] = "it reads FFh, as the threshold beside it"
    readings = {number: sensor for number, sensor in enumerate(sensors, start=1) if sensor}
    sound = {number: sensor for number, sensor in readings.items() if _COLDEST_KELVIN <= sensor <= _HOTTEST_KELVIN}
    return HealthLog(
        critical_warning=warning,
        composite_temperature_celsius=None if "composite_temperature_celsius" in odd else _celsius(kelvin),
        available_spare_percent=0 if "available_spare_percent" in odd else spare,
        available_spare_threshold_percent=0 if "available_spare_threshold_percent" in odd else threshold,
        percentage_used=0 if "percentage_used" in odd else used,
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
        sensor_celsius={number: float(kelvin - KELVIN_AT_ZERO_CELSIUS) for number, kelvin in sound.items()},
        thermal_transitions_1=transitions_1,
        thermal_transitions_2=transitions_2,
        thermal_seconds_1=seconds_1,
        thermal_seconds_2=seconds_2,
        absent=(*odd, *(f"sensor_celsius[{number}]" for number in readings if number not in sound)),
    )


def _find_odd(kelvin: int, spare: int, threshold: int) -> dict[str, str]:
    """Give the fields that hold what the standard rules out, each with what is wrong."""
    odd = {}
    if kelvin and not _COLDEST_KELVIN <= kelvin <= _HOTTEST_KELVIN:
        odd["composite_temperature_celsius"] = f"its composite temperature reads {kelvin} K, which no drive survives"
    for name, percent in (("available_spare", spare), ("available_spare_threshold", threshold)):
        if percent > _MOST_PERCENT:
            odd[f"{name}_percent"] = f"its {name.replace('_', ' ')} reads {percent} %, at most 100 % may be"
    return odd


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
_NAMES = struct.Struct("<4x20s40s8s")  # 4: SN, MN, FR
_NPSS_OFFSET, _APSTA_OFFSET = 263, 265
_TEMPERATURES = struct.Struct("<HH")  # 266: WCTEMP, CCTEMP
_CAPACITY = slice(280, 296)  # TNVMCAP
_FIRST_POWER_STATE, _POWER_STATE_BYTES, _MOST_POWER_STATES = 2048, 32, 32
_POWER_STATE = struct.Struct("<3xB4xI")  # flags (bit 1: NOPS), EXLAT; figure "Power State Descriptor"


def parse_identify(raw: bytes | Unread, *, what: str) -> NvmeIdentity | Unread:
    """Parse the Identify Controller structure (CNS 01h), of 4096 bytes.

    Returns:
        The fields that bear on identity, heat and power, or why there are none.

    Source: section 5.17.2.1.
    """
    if isinstance(raw, Unread):
        return raw
    if wrong := _wrong_length(raw, IDENTIFY_BYTES, what):
        return wrong
    if why := _find_why_empty(raw[: _NAMES.size]):
        return Unread(what, why)
    serial, model, firmware = _NAMES.unpack_from(raw)
    states = raw[_NPSS_OFFSET] + 1  # 0's based
    if states > _MOST_POWER_STATES:
        return Unread(what, f"it claims {states} power states, the structure has room for {_MOST_POWER_STATES}")
    warning, critical = _TEMPERATURES.unpack_from(raw, 266)
    return NvmeIdentity(
        serial=_text(serial),
        model=_text(model),
        firmware=_text(firmware),
        autonomous_transitions_supported=bool(raw[_APSTA_OFFSET] & 1),
        warning_temperature_celsius=_celsius(warning),
        critical_temperature_celsius=_celsius(critical),
        total_capacity_bytes=int.from_bytes(raw[_CAPACITY], "little") or None,
        power_states=tuple(_parse_power_state(raw, number) for number in range(states)),
    )


def _parse_power_state(raw: bytes, number: int) -> PowerState:
    flags, leaving = _POWER_STATE.unpack_from(raw, _FIRST_POWER_STATE + number * _POWER_STATE_BYTES)
    return PowerState(number=number, non_operational=bool(flags & 2), exit_us=leaving or None)
