"""Interfaces with a device behind them, and bonds."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.network import NET, find_address, parse_speed, read_bonds, read_interfaces
from laneproof_collectors.snapshot import Bond, BondMember, Interface
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree, replay
from support.unread_answers import known, unread

PORT = "/sys/devices/pci0000:00/0000:00:1c.0/0000:02:00"
ACTIVE, ELSEWHERE = "1", "2"
PARTNER, NOBODY = "52:54:00:6b:65:6c", "00:00:00:00:00:00"


def interface(folder: str, name: str, **attributes: str) -> Tree:
    fields = {
        "operstate": "up\n",
        "speed": "10000\n",
        "duplex": "full\n",
        "carrier_changes": "2\n",
        "address": "52:54:00:00:00:01\n",
        "statistics/rx_errors": "0\n",
        "statistics/tx_errors": "0\n",
    } | attributes
    return {
        f"{NET}/{name}": f"-> ../..{folder.removeprefix('/sys')}/net/{name}",
        **{f"{folder}/net/{name}/{field}": value for field, value in fields.items()},
    }


def port(function: int, name: str, **attributes: str) -> Tree:
    folder = f"{PORT}.{function}"
    return {
        **interface(folder, name, **attributes),
        f"{folder}/net/{name}/device": f"-> ../../../0000:02:00.{function}",
    }


def bond_files(mode: str = "802.3ad 4\n", **attributes: str) -> Tree:
    folder = "/sys/devices/virtual"
    fields = {
        "mode": mode,
        "slaves": "enp2s0f0 enp2s0f1\n",
        "xmit_hash_policy": "layer3+4 1\n",
        "ad_aggregator": f"{ACTIVE}\n",
        "ad_num_ports": "2\n",
        "ad_partner_mac": f"{PARTNER}\n",
    } | attributes
    return {
        **interface(folder, "bond0", speed="20000\n"),
        f"{NET}/bonding_masters": "bond0\n",
        **{f"{folder}/net/bond0/bonding/{field}": value for field, value in fields.items()},
    }


def member(function: int, name: str, **attributes: str) -> Tree:
    fields = {"mii_status": "up\n", "ad_aggregator_id": f"{ACTIVE}\n", "link_failure_count": "0\n", "state": "active\n"}
    return {
        **port(function, name),
        **{
            f"{PORT}.{function}/net/{name}/bonding_slave/{field}": value
            for field, value in (fields | attributes).items()
        },
    }


def interfaces_of(machine: FakeMachine) -> dict[str, Interface]:
    interfaces = known(read_interfaces(machine))
    return {shown.name: shown for shown in interfaces}


def bond_of(machine: FakeMachine) -> Bond:
    bonds = known(read_bonds(machine))
    (bond,) = bonds
    return bond


# --- interfaces ---


def test_a_port_with_a_link(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, port(0, "enp2s0f0", **{"statistics/rx_errors": "7\n"}))
    assert interfaces_of(machine) == {
        "enp2s0f0": Interface(
            name="enp2s0f0",
            address="0000:02:00.0",
            operational_state="up",
            speed_mbit_s=10000,
            duplex="full",
            carrier_changes=2,
            receive_errors=7,
            transmit_errors=0,
        )
    }


def test_what_has_no_device_is_left_out_but_a_bond(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**port(0, "enp2s0f0"), **interface("/sys/devices/virtual", "lo"), **bond_files()})
    interfaces = interfaces_of(machine)
    assert list(interfaces) == ["bond0", "enp2s0f0"]
    assert (interfaces["bond0"].address, interfaces["bond0"].speed_mbit_s) == (None, 20000)
    assert f"{NET}/lo/speed" not in machine.asked


@pytest.mark.parametrize("number", [errno.EINVAL, errno.EOPNOTSUPP])
def test_a_port_that_is_down_has_no_speed(fs: FakeFilesystem, number: int) -> None:
    machine = FakeMachine(fs, port(0, "enp2s0f0", operstate="down\n"))
    machine.faults = {f"{NET}/enp2s0f0/speed": number, f"{NET}/enp2s0f0/duplex": number}
    down = interfaces_of(machine)["enp2s0f0"]
    assert (down.operational_state, down.speed_mbit_s, down.duplex) == ("down", None, None)


@pytest.mark.parametrize("raw", [b"-1\n", b"4294967295\n", b"0\n"])
def test_an_unknown_speed_is_none(raw: bytes) -> None:
    assert parse_speed(raw, what="x") is None


def test_a_speed_that_is_no_number_is_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, port(0, "enp2s0f0", speed="fast\n"))
    speed = unread(interfaces_of(machine)["enp2s0f0"].speed_mbit_s)
    assert speed.what == f"{NET}/enp2s0f0/speed"


@pytest.mark.parametrize(
    ("device", "entry", "address"),
    [
        ("../../../0000:02:00.1", "x", "0000:02:00.1"),
        ("../../../10000:e1:00.0", "x", "10000:e1:00.0"),
        ("../../../virtio0", "../../devices/pci0000:00/0000:00:03.0/virtio0/net/eth0", "0000:00:03.0"),
        ("../../../virtio0", "../../devices/platform/virtio-mmio.0/virtio0/net/eth0", None),
        ("../../../1-2:1.0", "../../devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/net/enx0", None),
        ("", "", None),
    ],
)
def test_the_address_of_the_device_behind(device: str, entry: str, address: str | None) -> None:
    assert find_address(device, entry) == address


def test_a_port_that_vanishes_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**port(0, "enp2s0f0"), **port(1, "enp2s0f1")})
    machine.faults = {f"{NET}/enp2s0f0/{name}": errno.ENOENT for name in ("operstate", "speed", "duplex")}
    assert list(interfaces_of(machine)) == ["enp2s0f1"]


def test_a_kernel_that_says_less_leaves_none(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, port(0, "enp2s0f0"))
    machine.remove(f"{PORT}.0/net/enp2s0f0/carrier_changes")
    assert interfaces_of(machine)["enp2s0f0"].carrier_changes is None


def test_interfaces_that_may_not_be_listed_are_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs)
    machine.faults[NET] = errno.EACCES
    for answer in map(unread, (read_interfaces(machine), read_bonds(machine))):
        assert answer.reason is Reason.DENIED


def test_a_kernel_without_a_network_has_none(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs)
    assert (read_interfaces(machine), read_bonds(machine)) == ((), ())


# --- bonds ---


def test_a_bond_that_bonds(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, {**bond_files(), **member(0, "enp2s0f0"), **member(1, "enp2s0f1", link_failure_count="3\n")}
    )
    assert bond_of(machine) == Bond(
        name="bond0",
        mode="802.3ad",
        members=(
            BondMember(
                name="enp2s0f0",
                mii_status="up",
                aggregator_id=1,
                link_failures=0,
            ),
            BondMember(
                name="enp2s0f1",
                mii_status="up",
                aggregator_id=1,
                link_failures=3,
            ),
        ),
        transmit_hash="layer3+4",
        active_aggregator=1,
        aggregated_ports=2,
        partner_mac=PARTNER,
    )


def test_a_recording_gives_the_same_network(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**bond_files(), **member(0, "enp2s0f0"), **member(1, "enp2s0f1")})
    for read in (read_interfaces, read_bonds):
        live, replayed = replay(machine, read)
        assert replayed == live != ()


def test_a_bond_whose_members_do_not_bond_shows_their_aggregators(fs: FakeFilesystem) -> None:
    tree = {
        **bond_files(ad_num_ports="1\n", ad_partner_mac=f"{NOBODY}\n"),
        **member(0, "enp2s0f0"),
        **member(1, "enp2s0f1", ad_aggregator_id=f"{ELSEWHERE}\n"),
    }
    bond = bond_of(FakeMachine(fs, tree))
    assert [shown.aggregator_id for shown in bond.members] == [1, 2]
    assert (bond.aggregated_ports, bond.partner_mac) == (1, NOBODY)


def test_a_bond_of_another_mode_has_no_aggregators(fs: FakeFilesystem) -> None:
    empty = dict.fromkeys(("ad_aggregator", "ad_num_ports", "ad_partner_mac"), "\n")
    tree = {
        **bond_files("active-backup 1\n", slaves="enp2s0f0\n", **empty),
        **member(0, "enp2s0f0", ad_aggregator_id="N/A\n", state="backup\n"),
    }
    bond = bond_of(FakeMachine(fs, tree))
    assert (bond.mode, bond.active_aggregator, bond.partner_mac) == ("active-backup", None, None)
    assert bond.members[0].aggregator_id is None


def test_a_bond_without_members(fs: FakeFilesystem) -> None:
    assert bond_of(FakeMachine(fs, bond_files(slaves="\n"))).members == ()


def test_members_that_cannot_be_listed_make_the_bonds_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**bond_files(), **member(0, "enp2s0f0")})
    machine.faults[f"{NET}/bond0/bonding/slaves"] = errno.EIO
    assert isinstance(read_bonds(machine), Unread)


def test_a_member_that_vanishes_meanwhile_is_unread(fs: FakeFilesystem) -> None:
    bond = bond_of(FakeMachine(fs, {**bond_files(), **member(0, "enp2s0f0")}))
    first, second = bond.members
    assert first.mii_status == "up"
    assert isinstance(second.mii_status, Unread)
    assert second.aggregator_id is None


def test_bonds_without_the_drivers_list_are_known_by_their_attributes(fs: FakeFilesystem) -> None:
    tree = {**bond_files(), **member(0, "enp2s0f0"), **member(1, "enp2s0f1")}
    del tree[f"{NET}/bonding_masters"]
    bond = bond_of(FakeMachine(fs, tree))
    assert (bond.name, [shown.name for shown in bond.members]) == ("bond0", ["enp2s0f0", "enp2s0f1"])


def test_port_whose_device_link_is_missing_is_known_by_its_folder(fs: FakeFilesystem) -> None:
    tree = port(0, "enp2s0f0")
    del tree[f"{PORT}.0/net/enp2s0f0/device"]
    assert interfaces_of(FakeMachine(fs, tree))["enp2s0f0"].address == "0000:02:00.0"


def test_a_bond_that_vanishes_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    assert read_bonds(FakeMachine(fs, {f"{NET}/bonding_masters": "bond0\n"})) == ()


@pytest.mark.parametrize("content", ["\n", ""])
def test_a_mode_that_is_empty_is_unread(fs: FakeFilesystem, content: str) -> None:
    assert isinstance(bond_of(FakeMachine(fs, bond_files(content, slaves="\n"))).mode, Unread)
