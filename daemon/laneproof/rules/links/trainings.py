"""Links whose training was watched: where the rules of training begin."""

from collections.abc import Iterator

from laneproof.box.link_rates import describe_rate
from laneproof.declaration.tables import DeclaredPosition
from laneproof.past.ledger import Ledger
from laneproof.past.link_training import Fall, TrainingRecord
from laneproof.rules.rule import Pass
from laneproof.rules.sign_subjects import Watched, is_ours, watch_position

FEWEST_RECURRING = 2
"""So many falls or short boots are more than one chance event. Our choice."""


def watched_trainings(current: Pass) -> Iterator[tuple[Watched, TrainingRecord, DeclaredPosition | None]]:
    """Give each position whose link was watched, with the link's record and the position's declaration."""
    ledger = current.past.ledger
    for path, record in ledger.training.records.items():
        if not is_ours(current, path):
            continue
        drive, link = ledger.drives.records.get(record.serial), ledger.links.at(path)
        device = drive.name if drive is not None else link.device if link is not None else ""
        position = current.build.position_at(path) if current.build else None
        yield watch_position(current, path, record.serial, device), record, position


def write_training(gt_s: float, lanes: int) -> str:
    """Write what a link trained at: ``16 GT/s (generation 4) x4``."""
    return f"{describe_rate(gt_s)} x{lanes}"


def is_down(fall: Fall, ledger: Ledger) -> bool:
    """Whether a link is still as low as it fell in this boot."""
    return fall.back_at is None and fall.boot == ledger.timeline.boots
