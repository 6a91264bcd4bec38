"""Who is answered."""

import base64

import pytest

from laneproof.service.access import Access, is_beyond_loopback

TOKEN = "a-token-of-sixteen"  # noqa: S105 (an example)


@pytest.mark.parametrize(
    ("address", "host", "answered"),
    [
        ("127.0.0.1", None, True),
        ("127.0.0.1", "localhost", True),
        ("127.0.0.1", "LOCALHOST.:7766", True),
        ("127.0.0.1", "127.0.0.1:7766", True),
        ("127.0.0.1", "[::1]:7766", True),
        ("127.0.0.1", "kelp-1.example:7766", True),
        ("127.0.0.1", "rebound.example", False),
        ("127.0.0.1", "localhost.rebound.example:7766", False),
        ("127.0.0.1", "127.0.0.1.rebound.example", False),
        ("127.0.0.1", "203.0.113.7", False),  # RFC 5737: nobody's address
        ("127.0.0.1", "", False),
        ("203.0.113.7", "203.0.113.7:7766", True),
        ("203.0.113.7", "203.0.113.8:7766", False),
        ("0.0.0.0", "203.0.113.8:7766", True),  # noqa: S104 (nothing listens) (what is tested)
        ("::", "[2001:db8::1]:7766", True),  # RFC 3849: documentation
        ("0.0.0.0", "rebound.example", False),  # noqa: S104 (nothing listens)
    ],
)
def test_only_names_of_this_box_are_answered(address: str, host: str | None, *, answered: bool) -> None:
    assert (Access(address, ["Kelp-1.example"]).refuse(host, None) is None) == answered


@pytest.mark.parametrize(
    ("authorization", "answered"),
    [
        (f"Bearer {TOKEN}", True),  # RFC 6750, 2.1
        (f"bearer  {TOKEN} ", True),
        ("Basic " + base64.b64encode(f"anybody:{TOKEN}".encode()).decode(), True),  # RFC 7617, 2
        ("Basic " + base64.b64encode(TOKEN.encode()).decode(), False),
        ("Basic %%%", False),
        (f"Bearer {TOKEN}x", False),
        ("Bearer", False),
        (TOKEN, False),
        ("Bearer \xff", False),
        (None, False),
    ],
)
def test_only_the_token_opens(authorization: str | None, *, answered: bool) -> None:
    assert (Access("127.0.0.1", token=TOKEN).refuse("localhost", authorization) is None) == answered


@pytest.mark.parametrize(
    ("address", "beyond"),
    [("127.0.0.9", False), ("::1", False), ("localhost", False), ("0.0.0.0", True), ("::", True), ("kelp-1", True)],  # noqa: S104 (nothing listens)
)
def test_what_other_machines_can_reach(address: str, *, beyond: bool) -> None:
    """Source: RFC 1122, 3.2.1.3 (g); RFC 4291, 2.5.3."""
    assert is_beyond_loopback(address) == beyond
