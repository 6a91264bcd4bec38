"""Where a device is that no PCI function carries: on a controller of the board's own, or across a network.

Small boards have SATA, USB and NVMe controllers that the device tree names by their address (``fc800000.sata``); that
name stays, while what the kernel counts up (``host0``, ``xhci-hcd.0.auto``, a bus number) may not. A path of such a
device begins with ``platform`` and that name. What it does not do: it touches no file.

Source: Devicetree Specification 0.4, 2.2.1 (node names, ``name@unit-address``); Linux drivers/of/platform.c,
``of_device_make_bus_id`` (``address.name``), drivers/base/platform.c (``.N.auto``).
"""

import re

_DEVICES = "/sys/devices/"
_BUS = re.compile(r"ata\d+|usb\d+|host\d+|nvme|session\d+|port-\d+:.+")
_BY_ADDRESS = re.compile(r"[0-9a-f]+\.[A-Za-z][\w,+-]*")
_NOT_IN_PATHS = re.compile(r"[^A-Za-z0-9._:,@+-]+")


def find_platform_path(folder: str) -> str | None:
    """Name the controller that a device hangs on.

    Args:
        folder: The device's own folder, canonical:
            ``/sys/devices/platform/fc800000.sata/ata1/host0/target0:0:0/0:0:0:0/block/sda``.

    Returns:
        ``platform/fc800000.sata``; None where nothing above the device has a name that stays (a disk that only software
        makes, a session across a network).
    """
    if not folder.startswith(_DEVICES):
        return None
    top, *parts = folder.removeprefix(_DEVICES).split("/")
    above = []
    for part in parts:
        if _BUS.fullmatch(part):
            break
        above.append(part)
    if top == "virtual" or not above or len(above) == len(parts):
        return None
    by_address = [part for part in above if _BY_ADDRESS.fullmatch(part)]
    return f"platform/{_NOT_IN_PATHS.sub('_', (by_address or above)[-1])}"


def make_fabrics_path(serial: str) -> str:
    """Name a drive that is reached across a network by the one thing that stays: ``fabrics/`` and its serial number."""
    return f"fabrics/{_NOT_IN_PATHS.sub('_', serial)}"
