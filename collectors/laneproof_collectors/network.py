"""Network: interfaces that have a device behind them, and bonds with their members.

Bridges, tunnels and containers' interfaces are left out: what a storage box promises stands on its ports and bonds. A
bond appears among the interfaces too, without an address, since its speed is that of its members together.
"""

import re
from collections.abc import Sequence

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Bond, BondMember, Interface
from laneproof_collectors.sysfs_attributes import is_absent, parse_integer, parse_text, read_each, unless_absent
from laneproof_collectors.unread import Unread

NET = "/sys/class/net"
BOND_LIST = "bonding_masters"  # a file among the interfaces, there while the bonding driver is loaded

_PCI_ADDRESS = re.compile(r"[0-9a-f]{4,5}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")
_VIRTIO = re.compile(r"virtio\d+")

# Documentation/ABI/testing/sysfs-class-net and sysfs-class-net-statistics
_INTERFACE = (
    "operstate",
    "speed",
    "duplex",
    "carrier_changes",
    "statistics/rx_errors",
    "statistics/tx_errors",
)
# Documentation/networking/bonding.rst; the ad_ files are empty in other modes than 802.3ad.
_BOND = ("mode", "slaves", "xmit_hash_policy", "ad_aggregator", "ad_num_ports", "ad_partner_mac")
_MEMBER = ("mii_status", "ad_aggregator_id", "link_failure_count")
# net/core/net-sysfs.c: while it is down; and for a driver that reports no link settings (the same number has two names)
_NO_ANSWER_WHILE_DOWN = ("EINVAL", "ENOTSUP", "EOPNOTSUPP")
_SPEED_LIMIT = 1 << 31  # SPEED_UNKNOWN, -1, printed without its sign by some drivers


def parse_speed(raw: bytes | Unread, *, what: str) -> int | Unread | None:
    r"""Parse an interface's speed, such as ``b"10000\n"``.

    Returns:
        Mbit/s; ``None`` for an interface that is down or reports no speed.

    Source: net/core/net-sysfs.c, ``speed_show``: EINVAL while it is down; include/uapi/linux/ethtool.h, SPEED_UNKNOWN.
    """
    if isinstance(raw, Unread) and raw.detail in _NO_ANSWER_WHILE_DOWN:
        return None
    speed = unless_absent(parse_integer(raw, what=what))
    return None if isinstance(speed, int) and not 0 < speed < _SPEED_LIMIT else speed


def find_address(device: str | Unread, entry: str | Unread) -> str | None:
    """Find the PCI address of the device behind an interface.

    Args:
        device: The target of the interface's ``device`` link.
        entry: The target of the interface's own link in ``/sys/class/net``, which shows a virtio device's parent.

    Returns:
        The address; ``None`` for what is not itself on PCI, such as a USB adapter.
    """
    name = "" if isinstance(device, Unread) else device.rpartition("/")[2]
    if not name and not isinstance(entry, Unread):
        name = entry.partition("/net/")[0].rpartition("/")[2]
    if _VIRTIO.fullmatch(name) and not isinstance(entry, Unread):
        above, found, _ = entry.partition(f"/{name}/")
        name = above.rpartition("/")[2] if found else ""
    return name if _PCI_ADDRESS.fullmatch(name) else None


def parse_first_word(raw: bytes | Unread, *, what: str) -> str | Unread | None:
    r"""Parse an attribute of a bond that is a word and its number, such as ``b"802.3ad 4\n"``.

    Returns:
        The word; ``None`` where the attribute is absent.
    """
    text = unless_absent(parse_text(raw))
    if not isinstance(text, str):
        return text
    words = text.split()
    return words[0] if words else Unread(what, "empty")


def _parse_or_none(raw: bytes | Unread, *, what: str) -> int | Unread | None:
    """Parse a number that the kernel leaves empty, or writes as N/A, where the mode of the bond has no such thing."""
    text = unless_absent(parse_text(raw))
    if text in ("", "N/A", None):
        return None
    return parse_integer(raw, what=what)


def _read_bond_names(host: Host, names: Sequence[str]) -> list[str] | Unread:
    """Read which interfaces are bonds: the driver's own list, or else those that have a bond's attributes."""
    if BOND_LIST in names:
        text = parse_text(host.file(f"{NET}/{BOND_LIST}"))
        return text if isinstance(text, Unread) else text.split()
    modes = host.files(f"{NET}/{name}/bonding/mode" for name in names)
    return [name for name, mode in zip(names, modes, strict=True) if not is_absent(mode)]


def _has_device(device: str | Unread, entry: str | Unread) -> bool:
    """Find whether a device is behind an interface: by its own link, else by where the interface itself lies.

    On a machine each entry of the class is a link; one that is none was recorded by hand, and is taken at its word.
    """
    if not isinstance(device, Unread):
        return True
    return is_absent(entry) if isinstance(entry, Unread) else "/virtual/" not in entry


def read_interfaces(host: Host) -> tuple[Interface, ...] | Unread:
    """Read the interfaces that have a device behind them, and the bonds.

    Returns:
        The interfaces by name.
    """
    listed = host.folder(NET)
    if isinstance(listed, Unread):
        return () if is_absent(listed) else listed  # a kernel without a network
    bonds = _read_bond_names(host, listed)
    names = [name for name in listed if name != BOND_LIST]
    paths = [path for name in names for path in (f"{NET}/{name}/device", f"{NET}/{name}")]
    targets = host.links(paths)
    addresses = {
        name: find_address(device, entry)
        for name, device, entry in zip(names, targets[::2], targets[1::2], strict=True)
        if _has_device(device, entry) or (isinstance(bonds, list) and name in bonds)
    }
    folders = [f"{NET}/{name}" for name in addresses]
    read = zip(addresses.items(), folders, read_each(host, folders, _INTERFACE), strict=True)
    # One that is gone by now is left out.
    return tuple(
        _make_interface(name, address, folder, raw)
        for (name, address), folder, raw in read
        if not (is_absent(raw["operstate"]) and is_absent(raw["speed"]))
    )


def _make_interface(name: str, address: str | None, folder: str, raw: dict[str, bytes | Unread]) -> Interface:
    def count(key: str) -> int | Unread | None:
        return unless_absent(parse_integer(raw[key], what=f"{folder}/{key}"))

    duplex = raw["duplex"]
    is_down = isinstance(duplex, Unread) and duplex.detail in _NO_ANSWER_WHILE_DOWN
    return Interface(
        name=name,
        address=address,
        operational_state=parse_text(raw["operstate"]),
        speed_mbit_s=parse_speed(raw["speed"], what=f"{folder}/speed"),
        duplex=None if is_down else unless_absent(parse_text(duplex)),
        carrier_changes=count("carrier_changes"),
        receive_errors=count("statistics/rx_errors"),
        transmit_errors=count("statistics/tx_errors"),
    )


def read_bonds(host: Host) -> tuple[Bond, ...] | Unread:
    """Read the bonds.

    Returns:
        The bonds with their members, in the kernel's order.
    """
    listed = host.folder(NET)
    if isinstance(listed, Unread):
        return () if is_absent(listed) else listed
    names = _read_bond_names(host, listed)
    if isinstance(names, Unread):
        return names
    raws = dict(zip(names, read_each(host, [f"{NET}/{name}/bonding" for name in names], _BOND), strict=True))
    members: dict[str, list[str]] = {}
    for name, raw in raws.items():
        listed_members = unless_absent(parse_text(raw["slaves"]))
        if isinstance(listed_members, Unread):
            return listed_members  # a bond that seems to have no members would be reported as broken
        members[name] = (listed_members or "").split()
    slaves = [slave for group in members.values() for slave in group]
    member_raws = dict(
        zip(slaves, read_each(host, (f"{NET}/{slave}/bonding_slave" for slave in slaves), _MEMBER), strict=True)
    )
    return tuple(
        _make_bond(name, raw, [_make_member(slave, member_raws[slave]) for slave in members[name]])
        for name, raw in raws.items()
        if not is_absent(raw["mode"])
    )


def _make_bond(name: str, raw: dict[str, bytes | Unread], members: list[BondMember]) -> Bond:
    folder = f"{NET}/{name}/bonding"
    mode = parse_first_word(raw["mode"], what=f"{folder}/mode")
    return Bond(
        name=name,
        mode=mode if mode is not None else Unread(f"{folder}/mode", "empty"),
        members=tuple(members),
        transmit_hash=parse_first_word(raw["xmit_hash_policy"], what=f"{folder}/xmit_hash_policy"),
        active_aggregator=_parse_or_none(raw["ad_aggregator"], what=f"{folder}/ad_aggregator"),
        aggregated_ports=_parse_or_none(raw["ad_num_ports"], what=f"{folder}/ad_num_ports"),
        partner_mac=unless_absent(parse_text(raw["ad_partner_mac"])) or None,
    )


def _make_member(name: str, raw: dict[str, bytes | Unread]) -> BondMember:
    folder = f"{NET}/{name}/bonding_slave"
    return BondMember(
        name=name,
        mii_status=parse_text(raw["mii_status"]) or Unread(f"{folder}/mii_status", "empty"),
        aggregator_id=_parse_or_none(raw["ad_aggregator_id"], what=f"{folder}/ad_aggregator_id"),
        link_failures=unless_absent(parse_integer(raw["link_failure_count"], what=f"{folder}/link_failure_count")),
    )
