"""Who is answered: only who asks for this box by a name of its own and, where there is a token, shows it. Pure.

A page of another site can send a browser on this machine to 127.0.0.1 under the site's own name (DNS rebinding), and
would then read what is answered. Such a request has that name in its Host header.
"""

import base64
import binascii
import hmac
import ipaddress
from collections.abc import Iterable
from http import HTTPStatus

SHORTEST_TOKEN = 16
"""Characters of a token at least. Our choice: what is shorter can be tried out."""
LOOPBACK_NAME = "localhost"


class Access:
    """The names that this box is asked by, and the token."""

    def __init__(self, address: str, names: Iterable[str] = (), token: str | None = None) -> None:
        """Make the check: of the names by which the address is reached, and of a token where one is asked for."""
        self._names = {LOOPBACK_NAME, address.lower(), *(name.lower().rstrip(".") for name in names)}
        self._listens_everywhere = (parsed := parse_address(address)) is not None and parsed.is_unspecified
        self._token = None if token is None else token.encode()

    def refuse(self, host: str | None, authorization: str | None) -> tuple[HTTPStatus, str] | None:
        """Give the status and the sentence for a request that is not answered; None where it is.

        Args:
            host: Its Host header; None where it has none, which no browser does.
            authorization: Its Authorization header, None where it has none.
        """
        if host is not None and not self._is_known(host):
            says = f"this box is not known here as {host[:80]!r}; the service's settings can name it: names = [...]"
            return HTTPStatus.MISDIRECTED_REQUEST, says
        if self._token is not None and not hmac.compare_digest(_find_token(authorization or ""), self._token):
            return HTTPStatus.UNAUTHORIZED, "the token is missing or another one"
        return None

    def _is_known(self, host: str) -> bool:
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdecimal() else host
        name = name.removeprefix("[").removesuffix("]").lower().rstrip(".")
        address = parse_address(name)
        return (
            name in self._names
            # a name that was bent to this box is no address
            or (address is not None and (address.is_loopback or self._listens_everywhere))
        )


def parse_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Parse an IP address; None where it is none."""
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def is_beyond_loopback(address: str) -> bool:
    """Whether other machines can reach what listens at an address."""
    parsed = parse_address(address)
    return address.lower() != LOOPBACK_NAME if parsed is None else not parsed.is_loopback


def _find_token(authorization: str) -> bytes:
    """Find the token in a header: ``Bearer TOKEN``, or the password of ``Basic``, which a browser asks a person for."""
    scheme, _, value = authorization.partition(" ")
    match scheme.lower():
        case "bearer":
            return value.strip().encode("latin-1", "replace")
        case "basic":
            try:
                return base64.b64decode(value.strip(), validate=True).partition(b":")[2]
            except (binascii.Error, ValueError):
                return b""
    return b""
