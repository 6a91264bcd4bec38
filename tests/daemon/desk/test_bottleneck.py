import pytest

from boxes.snapshot_box import declare
from laneproof.desk.bottleneck import Bottleneck, Throughput, find_bottleneck
from laneproof.desk.links import budget_links
from laneproof.desk.network import budget_network
from laneproof.desk.problems import BudgetNotes

BOND = '[[bond]]\nname = "bond0"\nmode = "802.3ad"\nmembers = ["a", "b"]\nmember_speed_mbit_s = 10000\n'


def _find(text: str) -> tuple[Throughput, Bottleneck | None]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, shared = budget_links(build, notes)
    return find_bottleneck(build, links, shared, budget_network(build, notes), notes)


def _position(label: str, path: str, lanes: int = 4, occupant: str = '{ kind = "nvme" }') -> str:
    link = f"link = {{ generation = 4, lanes = {lanes} }}"
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{link}\noccupant = {occupant}\n'


LINK = 16e9 * 128 / 130 / 8 * 4 * 256 / 280
"""What a link of generation 4 x4 carries of payload: the base specification's line code, and packets of 256 bytes."""
FLOW = 10e9 / 8 * 0.941
"""10 Gb/s of Ethernet carry about 1.18 GB/s of TCP payload at 1500 byte frames: 1448 of 1538 bytes (IEEE 802.3)."""
ONE, OTHER = _position("a", "0000:00/01.1"), _position("b", "0000:00/01.2")
CARDS = "".join(_position(f"lan-{at}", f"0000:00/02.1/00.0/0{at}.0", occupant='{ kind = "network" }') for at in (1, 2))
UPLINK = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 1\nlanes = 1\n'


@pytest.mark.parametrize(
    ("text", "part", "kind", "rate", "says"),
    [
        (
            BOND + ONE + OTHER, "bond0", "network", 2 * FLOW,
            "the network carries 2.35 GB/s in all, 1.18 GB/s in one flow; the drives could give at most 14.4 GB/s",
        ),
        (
            '[[network]]\nname = "e"\nspeed_mbit_s = 10000\n', "e", "network", FLOW,
            "the network carries 1.18 GB/s in all",
        ),
        (
            BOND + ONE + _position("nic", "0000:00/03.1", lanes=1, occupant='{ kind = "network", generation = 1 }'),
            "nic", "network-card", 250e6 * 256 / 280,
            "the link of nic carries 229 MB/s, and the ports behind it 2.35 GB/s",
        ),
        (
            UPLINK + BOND + ONE + CARDS, "lan-1 and lan-2", "network-card", 250e6 * 256 / 280,
            "the link of lan-1 and lan-2 carries 229 MB/s, and the ports behind it 2.35 GB/s",
        ),
        (
            '[uplink.chipset]\ngeneration = 4\nlanes = 4\npositions = ["a", "b"]\n' + ONE + OTHER, "chipset", "uplink",
            LINK, "chipset carries 7.2 GB/s for positions that could take 14.4 GB/s",
        ),
        (
            '[uplink.wide]\ngeneration = 1\nlanes = 4\npositions = ["a"]\n'
            '[uplink.tight]\ngeneration = 1\nlanes = 4\npositions = ["a", "b"]\n' + ONE + OTHER, "tight", "uplink",
            1e9 * 256 / 280, "tight carries 914 MB/s for positions that could take 14.4 GB/s",
        ),
        (
            ONE + _position("b", "0000:00/01.2", lanes=1), "b", "position", LINK / 4,
            "b gives at most 1.8 GB/s, the fastest 7.2 GB/s",
        ),
        (ONE + OTHER, "a", "position", LINK, "a gives at most 7.2 GB/s, as every drive does"),
        (
            _position("a", "0000:00/01.1", occupant='{ kind = "nvme", read = "500 MB/s" }'), "a", "position", 500e6,
            "a gives at most 500 MB/s",
        ),
        (  # a drive that is called as a shared link is
            '[uplink.deck]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
            + _position("deck", "0000:00/02.1/00.0/01.0"), "deck", "position", LINK, "deck gives at most 7.2 GB/s",
        ),
    ],
)  # fmt: skip
def test_the_narrowest_part_is_named_with_what_it_holds_back(
    text: str, part: str, kind: str, rate: float, says: str
) -> None:
    _, found = _find(text)
    assert found is not None
    assert (found.part, found.kind, found.says) == (part, kind, says)
    assert found.bytes_per_second == pytest.approx(rate)


def test_switch_card_with_a_position_of_its_own_is_no_drive() -> None:
    card = '[[position]]\nlabel = "card"\npath = "0000:00/03.1"\nlink = { generation = 4, lanes = 4 }\n'
    throughput, _ = _find(card + _position("a", "0000:00/03.1/00.0/01.0", lanes=2))
    assert throughput.drives_bytes_per_second == pytest.approx(LINK / 2)


def test_box_of_which_nothing_is_said_has_no_narrowest_part() -> None:
    throughput, found = _find("")
    assert found is None
    assert throughput.drives_bytes_per_second is throughput.network_bytes_per_second is None


def test_drives_and_the_card_that_sends_what_they_read_share_an_uplink_without_loss() -> None:
    # PCI Express is full duplex: each lane has a pair of wires for each direction (base specification, 1.2)
    card = _position("lan", "0000:00/02.1/00.0/02.0", occupant='{ kind = "network" }')
    uplink = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
    throughput, found = _find(uplink + BOND + _position("a", "0000:00/02.1/00.0/01.0") + card)
    assert throughput.drives_bytes_per_second == pytest.approx(LINK)
    assert throughput.network_cards_bytes_per_second == pytest.approx(LINK)
    assert found is not None
    assert found.part == "bond0"
