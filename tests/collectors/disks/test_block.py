import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.disks.block import (
    NamespaceMemory,
    name_namespace,
    parse_size,
    parse_statistics,
    read_namespaces,
)
from laneproof_collectors.snapshot import BlockStatistics
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree
from support.unread_answers import unread


def test_statistics_are_in_bytes_whatever_the_disks_own_block() -> None:
    # Documentation/block/stat.rst: sectors there are 512 bytes always
    line = b"  100  1  2000  30  40  2  5000  60  3  70  80  0  0  0  0  9  9\n"
    assert parse_statistics(line, what="stat") == BlockStatistics(
        reads=100,
        read_bytes=2000 * 512,
        read_milliseconds=30,
        writes=40,
        written_bytes=5000 * 512,
        write_milliseconds=60,
        busy_milliseconds=70,
    )


@pytest.mark.parametrize(
    "raw", [b"", b"\n", b"1 2 3\n", b"1 2 3 4 5 6 7 8 9 10\n", b"1 2 3 4 -5 6 7 8 9 10 11", b"\xff" * 40]
)
def test_line_that_is_no_statistics_is_unread(raw: bytes) -> None:
    assert isinstance(parse_statistics(raw, what="/sys/block/nvme0n1/stat"), Unread)


@pytest.mark.parametrize("raw", [b"", b"many\n", b"-8\n"])
def test_size_that_is_none_is_unread(raw: bytes) -> None:
    assert isinstance(parse_size(raw, what="size"), Unread)


@pytest.mark.parametrize(
    ("node", "disk"),
    [
        ("nvme0n1", "nvme0n1"),
        ("nvme12n34", "nvme12n34"),
        ("nvme0c1n1", "nvme0n1"),  # one of several ways to the disk
        ("ng0n1", None),
        ("nvme0n1p2", None),
        ("hwmon3", None),
        ("power", None),
    ],
)
def test_folder_below_a_controller_names_its_disk(node: str, disk: str | None) -> None:
    assert name_namespace(node) == disk


FOLDER = "/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0/nvme/nvme0/nvme0n1"
NAMESPACE: Tree = {
    f"{FOLDER}/{name}": text
    for name, text in {
        "nsid": "1\n",
        "size": "16\n",
        "eui": "00 25 38 5b 71 b0 11 22 \n",
        "nguid": "6eda8be5-0001-0000-0025-385b71b01122\n",
        "uuid": "0f9a6b2e-9b0d-4b2f-8f0a-0d6c1a0e5a11\n",
        "wwid": "eui.0025385b71b01122\n",
        "stat": "1 2 3 4 5 6 7 8 9 10 11\n",
    }.items()
}


def test_namespace_with_all_identifiers(fs: FakeFilesystem) -> None:
    (namespace,) = read_namespaces(FakeMachine(fs, NAMESPACE), [("nvme0n1", FOLDER)], {})
    assert (namespace.number, namespace.size_bytes) == (1, 8192)
    assert namespace.eui64 == "0025385b71b01122"
    assert namespace.nguid == "6eda8be5-0001-0000-0025-385b71b01122"
    assert namespace.uuid == "0f9a6b2e-9b0d-4b2f-8f0a-0d6c1a0e5a11"
    assert namespace.wwid == "eui.0025385b71b01122"
    assert isinstance(namespace.statistics, BlockStatistics)


def test_identifiers_are_asked_once_for_as_long_as_the_world_wide_one_stays(fs: FakeFilesystem) -> None:
    machine, memory = FakeMachine(fs, NAMESPACE), NamespaceMemory()
    first = read_namespaces(machine, [("nvme0n1", FOLDER)], memory)
    machine.asked.clear()
    assert read_namespaces(machine, [("nvme0n1", FOLDER)], memory) == first
    assert [path.rpartition("/")[2] for path in machine.asked] == ["size", "stat", "wwid"]
    machine.put({f"{FOLDER}/wwid": "eui.0025385b71b01133\n", f"{FOLDER}/eui": "00 25 38 5b 71 b0 11 33\n"})
    assert read_namespaces(machine, [("nvme0n1", FOLDER)], memory)[0].eui64 == "0025385b71b01133"
    assert len(memory) == 1
    assert read_namespaces(machine, [], memory) == []
    assert not memory


def test_namespace_without_a_world_wide_identifier_is_asked_each_time(fs: FakeFilesystem) -> None:
    machine, memory = FakeMachine(fs, {f"{FOLDER}/nsid": "1\n"}), NamespaceMemory()
    assert read_namespaces(machine, [("nvme0n1", FOLDER)], memory)[0].number == 1
    machine.put({f"{FOLDER}/nsid": "2\n"})
    assert read_namespaces(machine, [("nvme0n1", FOLDER)], memory)[0].number == 2


def test_namespace_that_vanished_is_unread_field_by_field(fs: FakeFilesystem) -> None:
    (namespace,) = read_namespaces(FakeMachine(fs), [("nvme0n1", FOLDER)], {})
    for value in map(unread, (namespace.number, namespace.size_bytes)):
        assert value.reason is Reason.ABSENT
    assert (namespace.eui64, namespace.wwid, namespace.statistics) == (None, None, None)


@given(st.binary(max_size=80))
def test_any_bytes_are_statistics_or_a_reason(raw: bytes) -> None:
    assert isinstance(parse_statistics(raw, what="stat"), BlockStatistics | Unread)
    assert isinstance(parse_size(raw, what="size"), int | Unread)
