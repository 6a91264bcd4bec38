"""The kernel's own thermometers of an NVMe drive: hwmon, which asks the drive each time it is read.

Rules of this module: it is the last resort, where neither the health log nor smartctl can be had, since unprivileged
readers may use it too. One reading of the composite temperature and the sensors costs the drive one command (the kernel
keeps the page for a second), each limit one more: so limits are read for the composite temperature only.

Source: Documentation/hwmon/sysfs-interface; kernel drivers/nvme/host/hwmon.c.
"""

import re
from collections.abc import Sequence

from laneproof_collectors.attributes import parse_integer, parse_text, unless_absent
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.unread import Unread

_HWMON = re.compile(r"hwmon\d+")
_SENSOR_INPUT = re.compile(r"temp(\d+)_input")
_COMPOSITE = 1  # temp1 is the composite temperature, temp2 to temp9 are sensors 1 to 8
_MILLI = 1000  # hwmon counts thousandths of a degree


def read_thermometers(
    host: Host, folder: str, names: Sequence[str], function: str | None
) -> tuple[TemperatureReading, ...]:
    """Read the temperatures of one drive.

    Args:
        host: The machine.
        folder: The controller's own folder.
        names: What that folder holds.
        function: The folder of its PCI function, below which the first kernels with these files (5.5) keep them.

    Returns:
        The readings in the kernel's order; none where the kernel offers none.
    """
    places = [f"{folder}/{name}" for name in names if _HWMON.fullmatch(name)]
    if not places and function:
        below = host.folder(f"{function}/hwmon")
        places = [] if isinstance(below, Unread) else [f"{function}/hwmon/{name}" for name in below]
    readings = []
    for place, files in zip(places, host.folders(places), strict=True):
        held = () if isinstance(files, Unread) else files
        numbers = sorted(int(match[1]) for name in held if (match := _SENSOR_INPUT.fullmatch(name)))
        readings += [_read_thermometer(host, f"{place}/temp{number}", number) for number in numbers]
    return tuple(readings)


def _read_thermometer(host: Host, stem: str, number: int) -> TemperatureReading:
    ends = ("input", "label", "crit", "max") if number == _COMPOSITE else ("input", "label")
    answers = dict(zip(ends, host.files(f"{stem}_{end}" for end in ends), strict=True))
    label = parse_text(answers["label"])
    return TemperatureReading(
        label=f"temp{number}" if isinstance(label, Unread) else label,
        celsius=_parse_celsius(answers["input"], what=f"{stem}_input"),
        maximum_celsius=_parse_limit(answers, "max", stem),
        critical_celsius=_parse_limit(answers, "crit", stem),
    )


def _parse_limit(answers: dict[str, bytes | Unread], end: str, stem: str) -> float | Unread | None:
    return unless_absent(_parse_celsius(answers[end], what=f"{stem}_{end}")) if end in answers else None


def _parse_celsius(raw: bytes | Unread, *, what: str) -> float | Unread:
    thousandths = parse_integer(raw, what=what)
    return thousandths if isinstance(thousandths, Unread) else thousandths / _MILLI
