"""Names from pci.ids: only those asked for, wherever the text is cut, whatever it holds."""

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.pcie.ids import PCI_IDS_FILES, find_names, read_names, select_names
from support.table_hosts import RangeHost

TEXT = """#
#\tList of PCI ID's, an excerpt with invented makers
#
1b01  Skerry Works
\t0001  Wrong Section
fff3  Fathomline Instruments
\t4000  Petrel 4000 \u00b5
\t\tfff3 0001  Petrel 4000 with lid
\t4001  Petrel\x07 8000
fff4  Tidewrack Silicon
\t4000  Four-way Switch
\t\t4001 0001  Not a device
C 01  Mass storage controller
\t4001  Not a device either
""".encode()


def test_names_of_the_ids_asked_for() -> None:
    assert find_names(TEXT, [(0xFFF3, 0x4000), (0xFFF4, 0x4000)]) == {
        (0xFFF3, 0x4000): ("Fathomline Instruments", "Petrel 4000 \u00b5"),
        (0xFFF4, 0x4000): ("Tidewrack Silicon", "Four-way Switch"),
    }


def test_a_device_is_looked_for_in_its_vendors_section_only() -> None:
    names = find_names(TEXT, [(0xFFF3, 0x0001), (0xFFF4, 0x4001), (0x4000, 0x4000)])
    assert names == {
        (0xFFF3, 0x0001): ("Fathomline Instruments", None),
        (0xFFF4, 0x4001): ("Tidewrack Silicon", None),
        (0x4000, 0x4000): (None, None),
    }


def test_what_cannot_be_shown_is_left_out_of_a_name() -> None:
    assert find_names(TEXT, [(0xFFF3, 0x4001)]) == {(0xFFF3, 0x4001): ("Fathomline Instruments", "Petrel 8000")}


def test_a_text_without_an_end_of_line_is_read_to_its_end() -> None:
    assert find_names(b"fff3  A\n\t0001  B", [(0xFFF3, 1)]) == {(0xFFF3, 1): ("A", "B")}
    assert find_names(b"fff3  A", [(0xFFF3, 1)]) == {(0xFFF3, 1): ("A", None)}


def test_a_selection_names_its_ids_as_the_whole_text_does() -> None:
    wanted = [(0xFFF4, 0x4000), (0xFFF3, 0x4000), (0xFFF3, 0x4001), (0xFFF4, 0x9999), (0x0001, 0x4000)]
    selection = select_names(TEXT, wanted)
    assert find_names(selection, wanted) == find_names(TEXT, wanted)
    assert selection.decode().splitlines() == [
        "fff3  Fathomline Instruments",
        "\t4000  Petrel 4000 \u00b5",
        "\t4001  Petrel 8000",
        "fff4  Tidewrack Silicon",
        "\t4000  Four-way Switch",
    ]
    assert select_names(TEXT, []) == b""


@given(st.binary(max_size=300), st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)), max_size=4))
def test_any_text_gives_names_or_none(text: bytes, wanted: list[tuple[int, int]]) -> None:
    assert find_names(text, wanted).keys() == set(wanted)


@pytest.mark.witness("lspci", "/usr/share/misc/pci.ids")
def test_names_are_those_that_lspci_knows(tmp_path: Path) -> None:
    """The second witness is lspci with the same file (lspci(8), -i)."""
    source = next(file for file in PCI_IDS_FILES if Path(file).exists())
    wanted = [(0x8086, 0x1533), (0x1022, 0x1483), (0x10EC, 0x8168), (0x1B36, 0x000C), (0x1B36, 0xFFFE), (0xFFF3, 1)]
    dump = tmp_path / "dump.txt"
    dump.write_text(
        "".join(
            f"{number:02x}:00.0 dump\n00: {vendor.to_bytes(2, 'little').hex(' ')} "
            f"{device.to_bytes(2, 'little').hex(' ')} {bytes(12).hex(' ')}\n\n"
            for number, (vendor, device) in enumerate(wanted)
        )
    )
    run = subprocess.run(["lspci", "-i", source, "-vmm", "-F", dump], capture_output=True, encoding="utf-8", check=True)
    names = read_names(LiveHost(), wanted)
    for ids, block in zip(wanted, run.stdout.strip().split("\n\n"), strict=True):
        reported = dict(line.split(":\t", 1) for line in block.splitlines())
        vendor_name, device_name = names[ids]
        assert reported["Vendor"] == (vendor_name or f"Vendor {ids[0]:04x}")
        assert reported["Device"] == (device_name or f"Device {ids[1]:04x}")


@pytest.mark.parametrize("file", PCI_IDS_FILES)
def test_the_file_is_found_in_either_folder(file: str) -> None:
    assert read_names(RangeHost({file: TEXT}), [(0xFFF4, 0x4000)])[0xFFF4, 0x4000][0] == "Tidewrack Silicon"


def test_a_machine_without_the_file_has_no_names() -> None:
    assert read_names(RangeHost({}), [(0xFFF4, 0x4000)]) == {(0xFFF4, 0x4000): (None, None)}


def test_a_long_file_is_read_to_its_end_in_pieces() -> None:
    padding = b"".join(b"%04x  Maker %d\n" % (number, number) for number in range(0xFFF0)) * 3
    host = RangeHost({PCI_IDS_FILES[0]: padding + TEXT})
    assert read_names(host, [(0xFFF4, 0x4000)])[0xFFF4, 0x4000][1] == "Four-way Switch"
    assert len(host.asked) == 2


def test_a_file_without_end_is_given_up() -> None:
    host = RangeHost({PCI_IDS_FILES[0]: bytes(64 << 20)})
    assert read_names(host, [(0xFFF4, 0x4000)]) == {(0xFFF4, 0x4000): (None, None)}
    assert len(host.asked) < 20


def test_nothing_is_read_where_nothing_is_asked() -> None:
    host = RangeHost({PCI_IDS_FILES[0]: TEXT})
    assert read_names(host, []) == {}
    assert host.asked == []
