import pytest

from boxes.snapshot_box import declare
from laneproof.desk.network import NetworkBudget, budget_network
from laneproof.desk.problems import BudgetNotes

GBIT = 10**9


def _budget(text: str) -> tuple[tuple[NetworkBudget, ...], BudgetNotes]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    return budget_network(build, notes), notes


def _bond(mode: str | None = "802.3ad", members: int = 2, speed: int | None = 10_000) -> str:
    text = f'[[bond]]\nname = "bond0"\nmembers = {[f"p{at}" for at in range(members)]!r}\n'
    text += f'mode = "{mode}"\n' if mode else ""
    return text + (f"member_speed_mbit_s = {speed}\n" if speed else "")


@pytest.mark.parametrize(
    ("mode", "together", "one_flow"),
    [
        # Kernel Documentation/networking/bonding.rst, mode: which transmit on one member, on all of them, on all in
        # turn; no single connection uses more than one interface's worth
        ("802.3ad", 20, 10),
        ("balance-xor", 20, 10),
        ("balance-alb", 20, 10),
        ("active-backup", 10, 10),
        ("broadcast", 10, 10),
        ("balance-rr", 20, 20),
        (None, 20, 10),
    ],
)
def test_mode_says_what_members_add_up_to(mode: str | None, together: int, one_flow: int) -> None:
    (bond,), _ = _budget(_bond(mode))
    assert (bond.together_bits_per_second, bond.one_flow_bits_per_second) == (together * GBIT, one_flow * GBIT)


def test_even_spread_is_an_assumption() -> None:
    _, notes = _budget(_bond())
    (used,) = notes.assumptions
    assert used.says == "flows spread evenly over the members of bond0, at both ends"
    for text in (_bond("active-backup"), _bond("broadcast"), _bond(members=1), _bond("balance-rr")):
        assert _budget(text)[1].assumptions == ()


def test_mode_that_is_not_declared_is_an_assumption_and_packets_in_turn_a_remark() -> None:
    _, notes = _budget(_bond(None))
    assert notes.assumptions[0].says == "bond0 spreads flows over its members"
    _, notes = _budget(_bond("balance-rr"))
    assert notes.remarks == ["bond0 sends the packets of one flow over all members in turn, which disorders them"]


@pytest.mark.parametrize("text", [_bond(speed=None), _bond(members=0), '[[network]]\nname = "enp1s0"\n'])
def test_network_that_says_too_little_has_no_ceiling(text: str) -> None:
    found, notes = _budget(text)
    assert found == ()
    assert len(notes.remarks) == 1


def test_port_alone_is_its_own_ceiling() -> None:
    (port,), _ = _budget('[[network]]\nname = "enp1s0"\nspeed_mbit_s = 2500\n')
    assert port.together_bits_per_second == port.one_flow_bits_per_second == 2_500_000_000
    assert (port.mode, port.members) == (None, 1)
