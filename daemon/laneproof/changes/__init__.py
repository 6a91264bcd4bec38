"""What changed in a box between two looks, each an inventory. Pure: the same for recordings, audits and history."""

from laneproof.changes.change import About, Change, Comparison, Gap, Look, What
from laneproof.changes.comparison import compare

__all__ = ["About", "Change", "Comparison", "Gap", "Look", "What", "compare"]
