"""What the systemd units must allow besides their defaults, so that they fit the service's settings. Pure.

The socket's unit lets in nobody but this machine, at one port, and the service writes to its own state folder only.
Other settings need a drop-in beside the one or the other (systemd.unit(5)); `laneproof setup` writes them.
"""

import ipaddress
import re
from collections.abc import Sequence

from laneproof.service.access import LOOPBACK_NAME, parse_address
from laneproof.service.settings import DEFAULT_ADDRESS, DEFAULT_PORT, DEFAULT_STATE, Settings, show_listen

PRIVATE_NETWORKS = ("link-local", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7")
"""Who may ask where nobody said otherwise. Source: RFC 1918, RFC 4193; systemd's link-local: RFC 3927, RFC 4291."""
SYSTEMD_NETWORKS = ("any", "localhost", "link-local", "multicast")
"""Names of networks that systemd knows. Source: systemd.resource-control(5), IPAddressAllow."""
GROUP = "laneproof-reader"
"""The service's group, which may ask the reader; what the service writes elsewhere is this group's."""
TOKEN_CREDENTIAL = "token"  # noqa: S105 (its name)
FIRST_UNPRIVILEGED_PORT = 1024
"""The service has no right to ports below. Source: ip(7), net.ipv4.ip_unprivileged_port_start."""
_HEADER = """\
# Written by `laneproof setup` from service.toml, and written again by it. Put your own lines into another file here.
"""
_ALLOWED = re.compile(r"^IPAddressAllow=(\S.*)$", re.MULTILINE)


class DropInError(ValueError):
    """The unit cannot be made to fit. The sentence says why."""


def check_listener(address: str, port: int) -> None:
    """Check that the unit can listen there.

    Raises:
        DropInError: It cannot.
    """
    _parse_address(address)
    if port < FIRST_UNPRIVILEGED_PORT:
        raise DropInError(f"port {port}: the service may only use ports from {FIRST_UNPRIVILEGED_PORT} on")


def check_folder(folder: str) -> str:
    """Give a folder as the unit can name it, without a slash at its end.

    Raises:
        DropInError: It cannot.
    """
    if not folder.startswith("/") or not folder.isprintable() or any(letter in folder for letter in '"\\%'):
        raise DropInError(f'{folder!r} is no folder that a unit can name: write it from / on, without ", \\ and %')
    return folder.rstrip("/") or "/"


def check_network(text: str) -> str:
    """Give a network as systemd takes it.

    Raises:
        DropInError: It is none.
    """
    if text in SYSTEMD_NETWORKS:
        return text
    try:
        return str(ipaddress.ip_network(text))
    except ValueError as error:
        raise DropInError(f"not a network: {error}; write it as 192.168.7.0/24, or any") from error


def _parse_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    address = parse_address("127.0.0.1" if text == LOOPBACK_NAME else text)
    if address is None:
        raise DropInError(f"{text!r} is no address of this machine: write it in numbers, such as 192.168.7.2")
    return address


def write_socket_drop_in(settings: Settings, networks: Sequence[str]) -> str:
    """Write the drop-in of the socket's unit, with the networks that may ask; empty where the unit fits as it is."""
    address = _parse_address(settings.address)
    if (str(address), settings.port) == (DEFAULT_ADDRESS, DEFAULT_PORT):
        return ""
    lines = ["ListenStream=", f"ListenStream={show_listen(str(address), settings.port)}"]
    if not address.is_loopback:  # it may come late, after a boot: systemd.socket(5), FreeBind
        lines += ["FreeBind=yes", f"IPAddressAllow={' '.join(networks)}"]
    return _write("Socket", lines)


def write_drop_in(settings: Settings) -> str:
    """Write the drop-in of the service's unit; empty where the unit fits as it is."""
    # With a minus the unit starts without the folder too: a stick may be out.
    lines = [
        f'ReadWritePaths="-{folder}"'
        for folder in (settings.state, settings.evidence)
        if folder and not f"{folder}/".startswith(f"{DEFAULT_STATE}/")
    ]
    if settings.token_file:  # a file of root's: the service gets a copy of its own
        lines.append(f"LoadCredential={TOKEN_CREDENTIAL}:{settings.token_file}")
    return _write("Service", lines)


def _write(section: str, lines: Sequence[str]) -> str:
    return "".join(f"{line}\n" for line in (f"{_HEADER}[{section}]", *lines)) if lines else ""


def find_networks(drop_ins: str) -> tuple[str, ...]:
    """Give the networks that drop-ins let in; empty where they name none."""
    found = _ALLOWED.search(drop_ins)
    return tuple(found[1].split()) if found else ()
