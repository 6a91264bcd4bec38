import pytest

from laneproof.desk.bottleneck import Bottleneck, Throughput, find_bottleneck
from laneproof.desk.links import budget_links
from laneproof.desk.network import budget_network
from laneproof.desk.problems import BudgetNotes
from snapshot_box import declare

BOND = '[[bond]]\nname = "bond0"\nmode = "802.3ad"\nmembers = ["a", "b"]\nmember_speed_mbit_s = 10000\n'


def _find(text: str) -> tuple[Throughput, Bottleneck | None]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, shared = budget_links(build, notes)
    return find_bottleneck(build, links, shared, budget_network(build, notes), notes)


def _position(label: str, path: str, lanes: int = 4, occupant: str = '{ kind = "nvme" }') -> str:
    link = f"link = {{ generation = 4, lanes = {lanes} }}"
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{link}\noccupant = {occupant}\n'


def test_network_slower_than_the_drives_is_the_narrowest_part() -> None:
    throughput, found = _find(BOND + _position("a", "0000:00/01.1") + _position("b", "0000:00/01.2"))
    assert found is not None
    assert (found.part, found.kind) == ("bond0", "network")
    # 10 Gb/s of Ethernet carry about 1.18 GB/s of TCP payload at 1500 byte frames: 1448 of 1538 bytes (IEEE 802.3)
    assert throughput.one_flow_bytes_per_second == pytest.approx(10e9 / 8 * 1448 / 1538, rel=0.001)
    assert found.bytes_per_second == pytest.approx(2 * (throughput.one_flow_bytes_per_second or 0))
    assert (
        found.says
        == "the network carries 2.35 GB/s in all, 1.18 GB/s in one flow; the drives could give at most 14.4 GB/s"
    )


def test_network_card_in_a_narrow_slot_is_the_narrowest_part() -> None:
    card = '[[position]]\nlabel = "nic"\npath = "0000:00/03.1"\nlink = { generation = 2, lanes = 1 }\n'
    _, found = _find(BOND + _position("a", "0000:00/01.1") + card + 'occupant = { kind = "network" }\n')
    assert found is not None
    assert (found.part, found.kind) == ("nic", "network-card")


def test_shared_link_that_holds_its_drives_back_is_the_narrowest_part() -> None:
    uplink = '[uplink.chipset]\ngeneration = 3\nlanes = 4\npositions = ["a", "b"]\n'
    _, found = _find(uplink + _position("a", "0000:00/01.1") + _position("b", "0000:00/01.2"))
    assert found is not None
    assert (found.part, found.kind) == ("chipset", "uplink")
    assert "positions that could take 14.4 GB/s" in found.says


def test_slowest_drive_is_the_narrowest_part_where_nothing_else_is() -> None:
    _, found = _find(_position("a", "0000:00/01.1") + _position("b", "0000:00/01.2", lanes=1))
    assert found is not None
    assert (found.part, found.kind) == ("b", "position")


def test_drives_own_rate_counts_below_its_link() -> None:
    _, found = _find(_position("a", "0000:00/01.1", occupant='{ kind = "nvme", read = "500 MB/s" }'))
    assert found is not None
    assert found.bytes_per_second == 500_000_000


def test_switch_card_with_a_position_of_its_own_is_no_drive() -> None:
    card = '[[position]]\nlabel = "card"\npath = "0000:00/03.1"\nlink = { generation = 4, lanes = 4 }\n'
    throughput, _ = _find(card + _position("a", "0000:00/03.1/00.0/01.0", lanes=2))
    assert throughput.drives_bytes_per_second == pytest.approx(16e9 * 128 / 130 / 8 * 2 * 256 / 280)


def test_box_of_which_nothing_is_said_has_no_narrowest_part() -> None:
    throughput, found = _find("")
    assert found is None
    assert throughput.drives_bytes_per_second is throughput.network_bytes_per_second is None


def test_drives_and_the_card_that_sends_what_they_read_share_an_uplink_without_loss() -> None:
    # PCI Express is full duplex: each lane has a pair of wires for each direction (base specification, 1.2)
    card = _position("lan", "0000:00/02.1/00.0/02.0", occupant='{ kind = "network" }')
    uplink = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
    throughput, found = _find(uplink + BOND + _position("a", "0000:00/02.1/00.0/01.0") + card)
    alone = 16e9 * 128 / 130 / 8 * 4 * 256 / 280
    assert throughput.drives_bytes_per_second == pytest.approx(alone)
    assert throughput.network_cards_bytes_per_second == pytest.approx(alone)
    assert found is not None
    assert found.part == "bond0"


def test_two_cards_behind_one_uplink_share_its_way_out() -> None:
    cards = "".join(
        _position(f"lan-{at}", f"0000:00/02.1/00.0/0{at}.0", occupant='{ kind = "network" }') for at in (1, 2)
    )
    uplink = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 1\nlanes = 1\n'
    _, found = _find(uplink + BOND + _position("a", "0000:00/01.1") + cards)
    assert found is not None
    assert (found.part, found.kind) == ("lan-1 and lan-2", "network-card")
    assert found.bytes_per_second == pytest.approx(250e6 * 256 / 280)


def test_drive_called_as_a_shared_link_is_a_drive_all_the_same() -> None:
    uplink = '[uplink.deck]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
    _, found = _find(uplink + _position("deck", "0000:00/02.1/00.0/01.0"))
    assert found is not None
    assert (found.part, found.kind) == ("deck", "position")
