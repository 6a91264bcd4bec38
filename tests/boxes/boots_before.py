"""A past of which only the boots are known, and what ports could do before the board's firmware was last updated."""

from collections.abc import Iterable, Mapping

from laneproof.past.boots import Boot, BootBook, LinkLimits
from laneproof.past.ledger import Ledger
from laneproof.past.past import Past


def past_of_boots(boots: Iterable[Boot], earlier_limits: Mapping[str, LinkLimits]) -> Past:
    return Past(ledger=Ledger(boots=BootBook(boots=[*boots], earlier_limits=dict(earlier_limits))))
