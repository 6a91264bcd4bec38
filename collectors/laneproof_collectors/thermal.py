"""Heat and power of board and processor: temperatures, fans and power meters of hwmon, processor packages, throttling.

What costs a drive a command is left to others: hwmon chips of NVMe and SATA drives are recognised by name and let
alone, and so is a device that sleeps, since reading its sensor would wake it.

Source of the files: Documentation/hwmon/sysfs-interface.rst, Documentation/power/powercap/powercap.rst.
"""

import re
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import ASLEEP, Fan, PowerMeter, TemperatureReading, Thermal
from laneproof_collectors.sysfs_attributes import (
    is_absent,
    parse_integer,
    parse_switch,
    parse_text,
    read_each,
    unless_absent,
)
from laneproof_collectors.unread import Unread, if_read

HWMON = "/sys/class/hwmon"
POWERCAP = "/sys/class/powercap"
PROCESSORS = "/sys/devices/system/cpu"

COLDEST_CELSIUS, HOTTEST_CELSIUS = -40.0, 120.0
"""Beyond these a board's connector has no sensor on it: such read -128, 127 or 255 (common practice, no source)."""

DRIVE_CHIPS = ("nvme", "drivetemp")  # each reading is a command to the drive

_SENSOR = re.compile(r"(temp|fan|power)(\d{1,4})_(input|average|label|max|crit|min|alarm|fault)")
# AMD's packages appear under the same name; zones below have a second number
_PACKAGE_ZONE = re.compile(r"intel-rapl:\d+")
_PACKAGE_FILES = ("name", "energy_uj")
_PROCESSOR = re.compile(r"cpu\d{1,5}")
_PER_MILLI, _PER_MICRO = 1000, 1_000_000


class _Chip(NamedTuple):
    """One hwmon chip and the files of each of its sensors, by kind and number."""

    name: str
    folder: str
    sensors: Mapping[tuple[str, int], frozenset[str]]


_Raw = Mapping[str, bytes | Unread]


def read_thermal(host: Host) -> Thermal | Unread:
    """Read heat and power.

    Returns:
        What the machine has sensors for; empty where it has none.
    """
    chips = _find_chips(host)
    paths = [
        f"{chip.folder}/{kind}{number}_{file}"
        for chip in chips
        for (kind, number), files in chip.sensors.items()
        for file in sorted(files)
    ]
    raw = dict(zip(paths, host.files(paths), strict=True))
    return Thermal(
        temperatures=tuple(reading for chip in chips for reading in _make_temperatures(chip, raw)),
        fans=tuple(fan for chip in chips for fan in _make_fans(chip, raw)),
        power=(*(meter for chip in chips for meter in _make_meters(chip, raw)), *_read_packages(host)),
        throttle_counts=_read_throttle_counts(host),
    )


# --- hwmon ------------------------------------------------------------------------------------------------------------


def _find_chips(host: Host) -> list[_Chip]:
    """List the chips whose sensors may be read, and which files each has."""
    folders = [f"{HWMON}/{name}" for name in if_read(host.folder(HWMON))]
    status = "device/power/runtime_status"
    chosen = [
        (name, folder)
        for folder, raw in zip(folders, read_each(host, folders, ("name", status)), strict=True)
        if isinstance(name := parse_text(raw["name"]), str) and name not in DRIVE_CHIPS
        if parse_text(raw[status]) not in ASLEEP
    ]
    contents = host.folders(folder for _, folder in chosen)
    return [
        _Chip(name, folder, _find_sensors(if_read(files)))
        for (name, folder), files in zip(chosen, contents, strict=True)
    ]


def _find_sensors(files: Iterable[str]) -> dict[tuple[str, int], frozenset[str]]:
    """Sort a chip's files by sensor, in the order of their numbers."""
    found: dict[tuple[str, int], set[str]] = {}
    for file in files:
        if match := _SENSOR.fullmatch(file):
            found.setdefault((match[1], int(match[2])), set()).add(match[3])
    return {sensor: frozenset(found[sensor]) for sensor in sorted(found)}


def _sensors(chip: _Chip, kind: str) -> Iterable[tuple[str, str, frozenset[str]]]:
    """Give the path and the plain name of each sensor of a kind, and its files."""
    for (its_kind, number), files in chip.sensors.items():
        if its_kind == kind:
            yield f"{chip.folder}/{kind}{number}_", f"{kind}{number}", files


def _find_label(raw: _Raw, path: str, name: str) -> str:
    label = parse_text(raw.get(f"{path}label", b""))
    return label if isinstance(label, str) and label else name


def _scaled(raw: _Raw, path: str, parts: int) -> float | Unread:
    number = parse_integer(raw[path], what=path)
    return number if isinstance(number, Unread) else number / parts


def _limit(raw: _Raw, path: str) -> float | Unread | None:
    return unless_absent(_scaled(raw, path, _PER_MILLI)) if path in raw else None


def _failed(raw: _Raw, path: str) -> Unread | None:
    """Say that the chip itself calls a sensor's reading bad (an open or shorted diode, a fan that is not connected)."""
    if f"{path}fault" in raw and parse_switch(raw[f"{path}fault"], what="") is True:
        return Unread(f"{path}input", "the chip reports a fault of this sensor")
    return None


def _make_temperatures(chip: _Chip, raw: _Raw) -> Iterable[tuple[str, TemperatureReading]]:
    for path, name, files in _sensors(chip, "temp"):
        if "input" in files and not is_absent(raw[f"{path}input"]):
            celsius = _failed(raw, path) or _scaled(raw, f"{path}input", _PER_MILLI)
            if isinstance(celsius, float) and not COLDEST_CELSIUS < celsius < HOTTEST_CELSIUS:
                continue  # nothing is connected there
            reading = TemperatureReading(
                label=_find_label(raw, path, name),
                celsius=celsius,
                maximum_celsius=_limit(raw, f"{path}max"),
                critical_celsius=_limit(raw, f"{path}crit"),
            )
            yield chip.name, reading


def _make_fans(chip: _Chip, raw: _Raw) -> Iterable[Fan]:
    for path, name, files in _sensors(chip, "fan"):
        if "input" in files and not is_absent(raw[f"{path}input"]):
            minimum, alarm = (raw.get(f"{path}{file}") for file in ("min", "alarm"))
            yield Fan(
                chip=chip.name,
                label=_find_label(raw, path, name),
                rpm=_failed(raw, path) or parse_integer(raw[f"{path}input"], what=f"{path}input"),
                minimum_rpm=None if minimum is None else unless_absent(parse_integer(minimum, what=f"{path}min")),
                alarm=None if alarm is None else unless_absent(parse_switch(alarm, what=f"{path}alarm")),
            )


def _make_meters(chip: _Chip, raw: _Raw) -> Iterable[PowerMeter]:
    for path, name, files in _sensors(chip, "power"):
        file = next((name for name in ("input", "average") if name in files), None)
        if file and not is_absent(raw[path + file]):
            label = f"{chip.name} {_find_label(raw, path, name)}"
            yield PowerMeter(name=label, watts=_scaled(raw, path + file, _PER_MICRO))


# --- processor packages -----------------------------------------------------------------------------------------------


def _read_packages(host: Host) -> tuple[PowerMeter, ...]:
    """Read the running energy counter of each package; for root alone since 5.10 (CVE-2020-8694)."""
    zones = [zone for zone in if_read(host.folder(POWERCAP)) if _PACKAGE_ZONE.fullmatch(zone)]
    meters: list[PowerMeter] = []
    for zone, raw in zip(zones, read_each(host, (f"{POWERCAP}/{zone}" for zone in zones), _PACKAGE_FILES), strict=True):
        if not is_absent(raw["energy_uj"]):
            name, energy = parse_text(raw["name"]), parse_integer(raw["energy_uj"], what=f"{POWERCAP}/{zone}/energy_uj")
            meters.append(
                PowerMeter(
                    name=name if isinstance(name, str) and name else zone,
                    watts=None,
                    energy_joules=energy if isinstance(energy, Unread) else energy / _PER_MICRO,
                )
            )
    return tuple(meters)


def _read_throttle_counts(host: Host) -> dict[str, int]:
    """Read how often each processor package slowed down for its heat, since boot.

    Each of a package's processors counts the package's interrupts that it got to see, so the highest count is the
    package's. Only Intel's processors have the files (arch/x86/kernel/cpu/mce/therm_throt.c).
    """
    if is_absent(host.file(f"{PROCESSORS}/cpu0/thermal_throttle/package_throttle_count")):
        return {}
    names = [name for name in if_read(host.folder(PROCESSORS)) if _PROCESSOR.fullmatch(name)]
    files = ("topology/physical_package_id", "thermal_throttle/package_throttle_count")
    counts: dict[str, int] = {}
    for raw in read_each(host, (f"{PROCESSORS}/{name}" for name in names), files):
        number, times = (parse_integer(raw[file], what="") for file in files)
        if isinstance(number, int) and isinstance(times, int):
            key = f"package-{number}"
            counts[key] = max(times, counts.get(key, 0))
    return counts
