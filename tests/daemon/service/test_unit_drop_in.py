"""What the unit must allow for other settings; systemd itself reads it in the emulated machine."""

import pytest

from laneproof.service.settings import Settings
from laneproof.service.unit_drop_in import (
    PRIVATE_NETWORKS,
    DropInError,
    check_folder,
    check_listener,
    check_network,
    find_networks,
    write_drop_in,
    write_socket_drop_in,
)


@pytest.mark.parametrize(
    ("settings", "lines"),
    [
        ({"address": "localhost", "state": "/var/lib/laneproof/more"}, []),
        ({"port": 7800}, ["ListenStream=", "ListenStream=127.0.0.1:7800"]),
        ({"address": "::1"}, ["ListenStream=", "ListenStream=[::1]:7766"]),
        (
            {"address": "::"},
            ["ListenStream=", "ListenStream=[::]:7766", "FreeBind=yes", f"IPAddressAllow={' '.join(PRIVATE_NETWORKS)}"],
        ),
        (
            {"state": "/srv/state", "evidence": "/mnt/my stick"},
            ['ReadWritePaths="-/srv/state"', 'ReadWritePaths="-/mnt/my stick"'],
        ),
        ({"token_file": "/etc/laneproof/token"}, ["LoadCredential=token:/etc/laneproof/token"]),
    ],
)
def test_only_what_differs_from_the_unit_is_written(settings: dict[str, str | int], lines: list[str]) -> None:
    made = Settings.model_validate(settings)
    texts = write_socket_drop_in(made, PRIVATE_NETWORKS), write_drop_in(made)
    assert [line for text in texts for line in text.splitlines() if "=" in line] == lines
    assert [bool(text) for text in texts] == ["ListenStream=" in lines, bool(lines) and "ListenStream=" not in lines]
    assert find_networks("".join(texts)) == (PRIVATE_NETWORKS if "FreeBind=yes" in lines else ())


def test_what_the_unit_cannot_do_is_refused() -> None:
    for address, port in (("kelp-1", 7766), ("127.0.0.1", 1023), ("127.0.0.1", 0)):
        with pytest.raises(DropInError):
            check_listener(address, port)
    check_listener("127.0.0.1", 1024)
    for folder in ("relative", "/with\nline", '/with"quote', "/with%specifier", "/with\\backslash"):
        with pytest.raises(DropInError):
            check_folder(folder)
    assert check_folder("/mnt/stick/") == "/mnt/stick"
    for network in ("10.0.0.1/8", "all", "", "any localhost"):
        with pytest.raises(DropInError):
            check_network(network)
    assert list(map(check_network, ("any", "10.0.0.0/8", "192.168.7.9"))) == ["any", "10.0.0.0/8", "192.168.7.9/32"]
