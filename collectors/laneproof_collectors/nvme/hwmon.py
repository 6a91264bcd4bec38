"""The kernel's own thermometer of an NVMe drive: hwmon, which asks the drive each time it is read.

Rules of this module: it is the last resort, where neither the health log nor smartctl can be had, since unprivileged
readers may use it too. The temperature costs the drive one command, its alarm another, and the threshold a third (the
critical one the kernel remembers). So only the composite temperature is read, which is what a drive's own limits are
about, and not its up to eight sensors, which are a command each.

Drives count whole kelvin. Kernels up to 5.5 take 273 off, later ones 273.15; here 273 is taken off, as from the health
log, so that a reading at a threshold is at it whichever way the two came.

Source: Documentation/hwmon/sysfs-interface; kernel drivers/nvme/host/hwmon.c, ``nvme_hwmon_read``,
``nvme_get_temp_thresh``.
"""

import re
from collections.abc import Sequence

from laneproof_collectors.host import Host
from laneproof_collectors.nvme.health_and_identity import COLDEST_CELSIUS, HOTTEST_CELSIUS, KELVIN_AT_ZERO_CELSIUS
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.sysfs_attributes import is_absent, parse_integer, parse_switch, parse_text, unless_absent
from laneproof_collectors.unread import Unread

_HWMON = re.compile(r"hwmon\d+")
_COMPOSITE = "temp1"  # temp2 to temp9 are sensors 1 to 8
_FILES = ("input", "label", "max", "crit", "alarm")
_MILLI = 1000  # hwmon counts thousandths of a degree
_ZERO_CELSIUS_IN_KELVIN = 273.15


def read_thermometers(
    host: Host, folder: str, names: Sequence[str], function: str | None
) -> tuple[TemperatureReading, ...]:
    """Read the composite temperature of one drive, from its controller's folder by the names that this holds.

    The first kernels with these files (5.5) keep them below the folder of the PCI function.

    Returns:
        One reading; none where the kernel offers none.
    """
    folders = [f"{folder}/{name}" for name in names if _HWMON.fullmatch(name)]
    if not folders and function:
        below = host.folder(f"{function}/hwmon")
        folders = [] if isinstance(below, Unread) else [f"{function}/hwmon/{name}" for name in below]
    found = (_read_thermometer(host, f"{folder}/{_COMPOSITE}") for folder in folders)
    return tuple(reading for reading in found if reading is not None)


def _read_thermometer(host: Host, stem: str) -> TemperatureReading | None:
    raw = dict(zip(_FILES, host.files(f"{stem}_{end}" for end in _FILES), strict=True))
    if is_absent(raw["input"]):
        return None
    label = parse_text(raw["label"])
    return TemperatureReading(
        label=_COMPOSITE if isinstance(label, Unread) else label,
        celsius=_parse_celsius(raw["input"], what=f"{stem}_input"),
        maximum_celsius=unless_absent(_parse_celsius(raw["max"], what=f"{stem}_max")),
        critical_celsius=unless_absent(_parse_celsius(raw["crit"], what=f"{stem}_crit")),
        alarm=unless_absent(parse_switch(raw["alarm"], what=f"{stem}_alarm")),
    )


def _parse_celsius(raw: bytes | Unread, *, what: str) -> float | Unread:
    thousandths = parse_integer(raw, what=what)
    if isinstance(thousandths, Unread):
        return thousandths
    celsius = round(thousandths / _MILLI + _ZERO_CELSIUS_IN_KELVIN) - KELVIN_AT_ZERO_CELSIUS
    if not COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
        return Unread(what, f"it reads {celsius} °C, which no drive survives")
    return float(celsius)
