"""Every name that a person may have leads to its position; a name that fits several leads nowhere and says why."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import SATA, Box, declare
from laneproof.box.names import UnknownNameError, derive_link_names, describe_position, find_drives
from laneproof.box.topology import topology_of
from laneproof_collectors.snapshot import MappedDevice, MountedFileSystem, NvmeNamespace, PhysicalSlot, Snapshot
from laneproof_collectors.unread import Reason, Unread

A, B, C = "0000:00/01.1", "0000:00/01.2", "0000:00/01.3"
BUILD = declare(
    f'[[position]]\nlabel = "riser-1"\npath = "{A}"\n[[position]]\nlabel = "riser 2"\npath = "{B}"\n'
    '[[position]]\nlabel = "deck-3"\npath = "0000:00/04.0"'
)


def box() -> Box:
    made = Box().with_port(A).with_drive(A, serial="FP4K-0117").with_port(B).with_drive(B, serial="FP4K-0217")
    made.with_port(C).with_drive(C, serial="SW8T-5501", model="Cairn (rev. B) 8T")
    made.with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-3", serial="GS-77", name="sda")
    made.with_port("0000:00/03.0").with_network("0000:00/03.0", "enp9s0")
    return made.with_array("md0", ("nvme0n1", "nvme1n1")).with_array("md_kelp", ("nvme2n1",), level="raid1")


def snapshot() -> Snapshot:
    return box().snapshot()


@pytest.mark.parametrize(
    ("name", "path", "known_as"),
    [
        ("riser-1", A, "its label"),
        ("riser 2", B, "its label"),
        ("deck-3", "0000:00/04.0", "its label"),
        ("nvme0", A, "what the kernel calls it"),
        ("/dev/nvme0", A, "what the kernel calls it"),
        ("nvme1n1", B, "a disk on it"),
        ("/dev/nvme1n1", B, "a disk on it"),
        ("nvme1n1p3", B, "a partition on it"),
        ("sda", "0000:00/17.0/ata-3", "what the kernel calls it"),
        ("/dev/sda2", "0000:00/17.0/ata-3", "a partition on it"),
        ("FP4K-0117", A, "its serial number"),
        ("fp4k-0117", A, "its serial number"),
        ("0117", A, "a part of its serial number FP4K-0117"),
        ("5501", C, "a part of its serial number SW8T-5501"),
        ("0000:01:00.0", A, "its bus address"),
        ("01:00.0", A, "its bus address"),
        ("01:00", A, "its bus address"),
        ("0000:00:01.2", B, "the bus address of its port"),
        (A, A, "its path"),
        (f"{A}/", A, "its path"),
        (f"{A}/00.0", A, "the path of the device in it"),
        ("0000:00/17.0/ata-3", "0000:00/17.0/ata-3", "its path"),
        ("enp9s0", "0000:00/03.0", "its network interface"),
        ("md0:1", B, "member 1 of md0"),
        ("/dev/md0:nvme0n1", A, "member 0 of md0"),
        ("md_kelp", C, "member 0 of md_kelp"),
        ("/dev/disk/by-id/nvme-Fulmar_N4_FP4K-0117", A, "an identifier of it"),
        ("/dev/disk/by-id/nvme-Fulmar_N4_FP4K-0117_1-part2", A, "an identifier of it"),
        ("nvme-Cairn__rev._B__8T_SW8T-5501", C, "an identifier of it"),
        ("/dev/disk/by-id/ata-Gannet_S8_GS-77-part1", "0000:00/17.0/ata-3", "an identifier of it"),
        ("/dev/disk/by-id/scsi-SATA_Gannet_S8_GS-77", "0000:00/17.0/ata-3", "a name with its serial number GS-77"),
    ],
)
def test_name_leads_to_its_position(name: str, path: str, known_as: str) -> None:
    (found,) = find_drives(name, BUILD, snapshot())
    assert (found.path, found.known_as) == (path, known_as)


def test_array_stands_for_all_its_members() -> None:
    found = [(position.path, position.known_as) for position in find_drives("md0", BUILD, snapshot())]
    assert found == [(A, "member 0 of md0"), (B, "member 1 of md0")]


def test_world_wide_identifiers_name_a_drive() -> None:
    made = snapshot()
    assert not isinstance(made.controllers, Unread)
    namespace = replace(made.controllers[0].namespaces[0], wwid="eui.0011223344556677", nguid="aa-bb")
    first = replace(made.controllers[0], namespaces=(namespace,))
    made = replace(made, controllers=(first, *made.controllers[1:]))
    for name in ("/dev/disk/by-id/nvme-eui.0011223344556677", "eui.0011223344556677", "aa-bb"):
        assert find_drives(name, BUILD, made)[0].path == A


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("FP4K", "'FP4K' could be riser-1 (a part of its serial number FP4K-0117), riser 2 (a part of its serial"),
        ("nvme7", "nothing here is called 'nvme7'; did you mean nvme0, nvme1 or nvme2?"),
        ("riser-2", "did you mean riser-1 or riser 2?"),
        ("17", "nothing here is called '17'; try a label, nvme0, a serial number or a bus address"),
        ("md0:9", "did you mean md0?"),
        ("md0:", "nothing here is called 'md0:'"),
        ("SW8T-5502", "did you mean SW8T-5501"),
        ("", "nothing here is called ''"),
    ],
)
def test_name_that_leads_nowhere_says_what_is_near(name: str, says: str) -> None:
    with pytest.raises(UnknownNameError, match=re.escape(says)) as caught:
        find_drives(name, BUILD, snapshot())
    assert "\n" not in str(caught.value)


def test_label_that_is_also_another_drives_name_is_reported_and_not_guessed() -> None:
    build = declare(f'[[position]]\nlabel = "nvme0"\npath = "{B}"')
    with pytest.raises(UnknownNameError, match=r"0000:00/01\.1 \(what the kernel calls it\), nvme0 \(its label\)"):
        find_drives("nvme0", build, snapshot())
    own = declare(f'[[position]]\nlabel = "nvme0"\npath = "{A}"')
    assert find_drives("nvme0", own, snapshot())[0].path == A  # the label of its own position is no doubt


def test_empty_machine_says_so() -> None:
    with pytest.raises(UnknownNameError, match="no drive is there, and no position is declared"):
        find_drives("nvme0", None, Box().snapshot())


def mount_on(device: str) -> MountedFileSystem:
    return MountedFileSystem(
        mount="/srv", device=device, kind="ext4", size_bytes=1, available_bytes=1, read_only=False,
        declared_read_only=False,
    )  # fmt: skip


def test_what_is_known_of_a_position_is_gathered() -> None:
    mounts = (mount_on("/dev/nvme0n1p2"),)
    slots = (PhysicalSlot(name="M2_1", address="0000:00:01"), PhysicalSlot(name="SLOT4", address="0000:02:00"))
    made = replace(snapshot(), file_systems=mounts, slots=slots)
    found = describe_position(A, BUILD, made)
    assert (found.name, found.board_names) == ("riser-1", ("M2_1",))
    assert [(member.array.name, member.member.slot) for member in found.memberships] == [("md0", 0)]
    assert [mounted.mount for mounted in found.file_systems] == ["/srv"]
    assert [link.path for link in found.links] == [A]
    assert describe_position(B, BUILD, made).file_systems == ()


def test_groups_that_were_not_read_leave_names_that_were() -> None:
    gap = Unread("it", "denied", Reason.DENIED)
    made = replace(snapshot(), arrays=gap, file_systems=gap, slots=gap)
    found = find_drives("nvme0", BUILD, made)[0]
    assert (found.memberships, found.file_systems, found.board_names) == ((), (), ())


def test_drive_that_did_not_give_its_serial_is_found_by_its_other_names() -> None:
    made = Box().with_port(A).with_drive(A, controller={"serial": Unread("serial", "denied", Reason.DENIED)})
    assert find_drives("nvme0", None, made.snapshot())[0].path == A
    occupant = topology_of(made.snapshot()).occupant_at(A)
    assert occupant is not None
    assert derive_link_names(occupant) == ()


RULES = Path("/usr/lib/udev/rules.d/60-persistent-storage.rules")


@pytest.mark.witness(str(RULES))
def test_link_names_are_those_that_udev_makes() -> None:
    """The patterns of systemd's rules, filled with a drive's identity, give the names that we derive."""
    patterns = set(
        re.findall(r'ENV\{ID_SERIAL\}="([^"]+)", SYMLINK\+="disk/by-id/(nvme-)\$env\{ID_SERIAL\}"', RULES.read_text())
    )
    values = {"$env{ID_MODEL}": "Fulmar N4", "$env{ID_SERIAL_SHORT}": "FP4K-0117", "$env{ID_NSID}": "1"}
    made = set()
    for pattern, prefix in patterns:
        text = pattern
        for word, value in values.items():
            text = text.replace(word, value)
        made.add(prefix + text.replace(" ", "_"))
    occupant = topology_of(snapshot()).occupant_at(A)
    assert occupant is not None
    assert made
    assert made <= set(derive_link_names(occupant))


@given(st.text(max_size=40))
def test_any_text_is_found_or_refused_in_one_line(name: str) -> None:
    try:
        found = [position.name for position in find_drives(name, BUILD, snapshot())]
    except UnknownNameError as error:
        found = [str(error)]
    assert all(found)
    assert found


def test_each_port_of_a_drive_with_two_leads_to_the_one_drive() -> None:
    made = Box()
    for number, path in enumerate((A, B)):
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, wwid="eui.1")
        made.with_port(path).with_drive(
            path, serial="SW8", controller={"controller_id": number, "namespaces": (space,)}
        )
    facts = made.snapshot()
    for name in ("nvme0", "nvme1", "nvme0n1", "SW8"):
        (found,) = find_drives(name, None, facts)
        assert found.occupant is not None
        assert (found.path, found.occupant.other_paths) == (A, (B,))


def test_what_lies_on_a_drive_below_encryption_and_volumes_is_known() -> None:
    mounted = mount_on("/dev/mapper/archive")
    mapped = (
        MappedDevice(name="dm-0", label="archive", disks=("nvme0n1",)),
        MappedDevice(name="dm-1", label="pool", disks=("nvme0n1", "nvme1n1")),
    )
    facts = box().with_group(file_systems=(mounted,), mapped=mapped).snapshot()
    for name in ("/dev/dm-0", "/dev/mapper/archive"):
        (found,) = find_drives(name, None, facts)
        assert (found.path, found.known_as) == (A, "a mapped device on it")
        assert [file_system.mount for file_system in found.file_systems] == ["/srv"]
    spread = replace(mounted, device="/dev/mapper/pool")  # what several drives hold need not go with one of them
    assert find_drives("nvme0", None, replace(facts, file_systems=(spread,)))[0].file_systems == ()
    assert find_drives("nvme1", None, facts)[0].file_systems == ()
    with pytest.raises(UnknownNameError, match="could be"):
        find_drives("/dev/mapper/pool", None, facts)
