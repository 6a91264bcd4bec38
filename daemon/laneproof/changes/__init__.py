"""What changed in a box between two snapshots, each an inventory. Pure: the same for recordings, audits and history."""

from laneproof.changes.change import About, Change, Comparison, DatedInventory, Gap, What
from laneproof.changes.comparison import compare

__all__ = ["About", "Change", "Comparison", "DatedInventory", "Gap", "What", "compare"]
