"""What changed in a box between two snapshots, each an inventory. Pure: the same for recordings, audits and history."""

from laneproof.changes.change import Change, Comparison, DatedInventory, Gap, Outcome, Topic
from laneproof.changes.comparison import compare

__all__ = ["Change", "Comparison", "DatedInventory", "Gap", "Outcome", "Topic", "compare"]
