"""Where a PCI function is: its path of bridges, read off its canonical folder in sysfs.

A path names device.function hops and leaves bus numbers out, since they move when a card is added. What it does not
do: it touches no file, and it knows nothing of what is attached below a controller (``/ata-3`` and the like are others'
hops).
"""

import re
from dataclasses import dataclass

_ADDRESS = re.compile(r"([0-9a-f]{4,}:[0-9a-f]{2}):([0-9a-f]{2}\.[0-7])")
_ROOT = re.compile(r"pci([0-9a-f]{4,}:[0-9a-f]{2})")


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionPath:
    """The host bridge, and the device.function of each function from there down to this one, itself last."""

    root: str
    hops: tuple[str, ...]


def is_address(name: str) -> bool:
    """Whether a name has the form of a PCI address, ``dddd:bb:dd.f`` with a domain of four digits or more."""
    return _ADDRESS.fullmatch(name) is not None


def parse_function_path(sysfs_path: str, address: str) -> FunctionPath:
    """Read the path of a function off its canonical sysfs folder.

    The last host bridge in the path counts: a controller that opens a domain of its own stands below another one
    (``pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:06.0``), and on many boards the first is below a platform device.

    Args:
        sysfs_path: The function's own folder, canonical, such as ``/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0``.
        address: The function's address, by which the kernel lists it.

    Returns:
        The path. A folder that shows no chain of bridges (a tree without links) gives the function alone on its bus.

    Source: Linux drivers/pci/probe.c, ``pci_register_host_bridge`` (``pci%04x:%02x``) and ``pci_setup_device``
    (``%04x:%02x:%02x.%d``): both formats give more digits to a domain that needs them.
    """
    hops: list[str] = []
    for name in reversed(sysfs_path.split("/")):
        if match := _ADDRESS.fullmatch(name):
            hops.append(match[2])
        elif (match := _ROOT.fullmatch(name)) and hops and sysfs_path.endswith("/" + address):
            return FunctionPath(root=match[1], hops=tuple(reversed(hops)))
    bus, _, hop = address.rpartition(":")
    return FunctionPath(root=bus, hops=(hop,))
