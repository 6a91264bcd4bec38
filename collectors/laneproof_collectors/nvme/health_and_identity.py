"""What an NVMe drive answers to Identify, Get Log Page and Get Features: bytes in, facts out.

Rules of this module: pure and total; any bytes of any length give a fact or one reason. A page that cannot be a drive's
(a wrong length, all ones, all zeros, several values that the standard rules out) is unread as a whole, since nothing in
it deserves belief; a single such value is that field's own fault, and the others count. It asks nothing: that is
``controllers.py``.

Source of all offsets: NVM Express Base Specification 2.0 as the comments of libnvme's types.h restate it; names as in
the kernel's include/linux/nvme.h. The numbers of sections, 5.16.1.3 apart, are from memory.
"""

import struct
from collections.abc import Mapping
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

_COMPOSITE = "composite_temperature_celsius"
_NOT_FILLED = 0xFF
# Available spare and its threshold are "0% to 100%"; only percentage used may pass that.
_MOST = {
    "critical_warning": 0xFF,
    "available_spare_percent": 100,
    "available_spare_threshold_percent": 100,
    "percentage_used": 0xFF,
}
_ALL_ONES = "every byte reads FFh, as from a drive that no longer answers"
_HEALTH = struct.Struct("<B2x4B25x16s16s16s16s16s16s16s16s16s16s2I16x4I")  # temperatures left out
_SENSORS = struct.Struct("<8H")
_FIELDS = (
    "critical_warning", "available_spare_percent", "available_spare_threshold_percent", "percentage_used",
    "endurance_group_warning", "data_units_read", "data_units_written", "host_read_commands", "host_write_commands",
    "controller_busy_minutes", "power_cycles", "power_on_hours", "unsafe_shutdowns", "media_errors",
    "error_log_entries", "warning_temperature_minutes", "critical_temperature_minutes",
    "thermal_transitions_1", "thermal_transitions_2", "thermal_seconds_1", "thermal_seconds_2",
)  # fmt: skip


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
    read = (value if isinstance(value, int) else int.from_bytes(value, "little") for value in _HEALTH.unpack_from(raw))
    sensors = {number: _celsius(kelvin) for number, kelvin in enumerate(_SENSORS.unpack_from(raw, 200), start=1)}
    composite = _celsius(int.from_bytes(raw[1:3], "little"))
    return make_health(dict(zip(_FIELDS, read, strict=True)), composite, sensors, what=what)


def make_health(
    counts: Mapping[str, int | None],
    composite: float | None,
    sensors: Mapping[int, float | None],
    *,
    what: str,
    source: str = "log",
) -> HealthLog | Unread:
    """Make a health log of what was read of it, leaving out what cannot be.

    Args:
        counts: The fields by name, temperatures apart; None where the source does not give it.
        composite: The composite temperature, degrees Celsius; None where it is not reported.
        sensors: Those of the sensors by number, likewise.
        what: Where it was read, for the sentence that a person will see.
        source: See `HealthLog.source`.

    Returns:
        The log, or why it is not believed: several values that cannot be.
    """
    odd = {
        name: f"its {name.replace('_', ' ')} reads {value}, at most {most} may be"
        for name, most in _MOST.items()
        if (value := counts[name] or 0) > most
    }
    if composite is not None and not COLDEST_CELSIUS <= composite <= HOTTEST_CELSIUS:
        odd[_COMPOSITE] = f"its composite temperature reads {composite:g} °C, which no drive survives"
    if len(odd) > 1:
        return Unread(what, " and ".join(odd.values()))
    if counts["available_spare_threshold_percent"] == counts["percentage_used"] == _NOT_FILLED:
        odd["percentage_used"] = "it reads FFh, as the threshold beside it"
    shown = {number: celsius for number, celsius in sensors.items() if celsius is not None}
    sound = {number: celsius for number, celsius in shown.items() if COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS}
    absent = [*odd, *(name for name, value in counts.items() if value is None)]
    return HealthLog(
        composite_temperature_celsius=None if _COMPOSITE in odd else composite,
        sensor_celsius=sound,
        source=source,
        absent=(*absent, *(f"sensor_celsius[{number}]" for number in shown if number not in sound)),
        **{name: 0 if value is None or name in odd else value for name, value in counts.items()},
    )


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
