"""Where a function is, read off its canonical path."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie.path import FunctionPath, is_address, parse_function_path


@pytest.mark.parametrize(
    ("folder", "root", "hops"),
    [
        ("/sys/devices/pci0000:00/0000:00:01.1", "0000:00", ("01.1",)),
        ("/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0", "0000:00", ("01.1", "00.0")),
        (
            "/sys/devices/pci0000:00/0000:00:01.2/0000:05:00.0/0000:06:04.0/0000:09:00.0",
            "0000:00",
            ("01.2", "00.0", "04.0", "00.0"),
        ),
        # A second host bridge of a large board.
        ("/sys/devices/pci0000:80/0000:80:03.0/0000:81:00.0", "0000:80", ("03.0", "00.0")),
        # A controller that opens a domain of its own, with five digits: only what is below it counts.
        (
            "/sys/devices/pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:06.0/10000:e1:00.0",
            "10000:e0",
            ("06.0", "00.0"),
        ),
        # Boards whose host bridge is a platform device.
        ("/sys/devices/platform/soc/3c0800000.pcie/pci0001:00/0001:00:00.0/0001:01:00.0", "0001:00", ("00.0", "00.0")),
        ("/sys/devices/LNXSYSTM:00/LNXSYBUS:00/ACPI0004:00/pcib0ef:00/pcib0ef:00/b0ef:00:02.0", "b0ef:00", ("02.0",)),
    ],
)
def test_a_path_names_the_last_host_bridge_and_every_hop_below_it(
    folder: str, root: str, hops: tuple[str, ...]
) -> None:
    """The forms are those of the kernel's drivers/pci/probe.c; the places were seen on such boards (from memory)."""
    assert parse_function_path(folder, folder.rpartition("/")[2]) == FunctionPath(root=root, hops=hops)


@pytest.mark.parametrize(
    ("folder", "address"),
    [
        ("/sys/bus/pci/devices/0000:01:00.0", "0000:01:00.0"),  # a tree without links
        ("/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0", "0000:02:00.0"),  # leads to another function
        ("/sys/devices/elsewhere", "0000:01:00.0"),
        ("", "0000:01:00.0"),
    ],
)
def test_without_a_chain_of_bridges_a_function_stands_alone_on_its_bus(folder: str, address: str) -> None:
    assert parse_function_path(folder, address) == FunctionPath(root=address[:7], hops=("00.0",))


@pytest.mark.parametrize("name", ["0000:01:00.0", "10000:e1:1f.7", "abcd:ff:00.1"])
def test_addresses(name: str) -> None:
    assert is_address(name)


@pytest.mark.parametrize(
    "name", ["", "01:00.0", "0000:01:00.8", "0000:01:00.0 ", "0000:01:00.0\n", "000g:01:00.0", "x"]
)
def test_other_names_are_no_addresses(name: str) -> None:
    assert not is_address(name)


@given(st.text(alphabet="/pci0123:.af", max_size=80), st.sampled_from(["0000:01:00.0", "12345:00:1f.3"]))
def test_any_path_gives_a_position(folder: str, address: str) -> None:
    place = parse_function_path(folder, address)
    assert place.hops[-1] == address.rpartition(":")[2]
