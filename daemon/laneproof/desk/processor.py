"""The processor's lanes at the desk: whether what hangs on it by itself asks for more than it has."""

from collections.abc import Iterator

from laneproof.declaration.build import Build
from laneproof.declaration.quoting import list_words
from laneproof.desk.links import LinkBudget, labels_below
from laneproof.desk.problems import BudgetNotes

_ON_CONTROLLER = ("sata", "usb")  # kinds that hang on a controller, and have no lanes of their own


def check_processor(build: Build, links: tuple[LinkBudget, ...], notes: BudgetNotes) -> None:
    """Check the processor's declared lanes against slots, shared links and positions that use them."""
    lanes = build.processor.lanes if build.processor else None
    if lanes is None:
        return
    users = dict(_find_users(build, links))
    if unknown := [name for name, used in users.items() if used is None]:
        notes.remark(f"{list_words(unknown)}: no lanes declared, so not counted against the processor's {lanes}")
    counted = {name: used for name, used in users.items() if used}
    if sum(counted.values()) > lanes:
        each = list_words([f"{name} x{used}" for name, used in counted.items()])
        says = (
            f"the processor has {lanes} lanes, and {sum(counted.values())} are asked for: {each}; what hangs on the"
            " chipset belongs in an [uplink], with its positions"
        )
        notes.problem("processor-lanes-exceeded", "processor", says)


def _find_users(build: Build, links: tuple[LinkBudget, ...]) -> Iterator[tuple[str, int | None]]:
    """Give each part that takes lanes of the processor itself, and how many; None where that is not declared."""
    below = {
        label for uplink in build.uplink.values() for label in labels_below(build, uplink.path or "", uplink.positions)
    } | {label for card in build.position for label in labels_below(build, card.path)}
    paths = [uplink.path for uplink in build.uplink.values() if uplink.path]
    for name, uplink in build.uplink.items():
        if not (uplink.path and any(uplink.path.startswith(f"{path}/") for path in paths)):
            yield name, uplink.lanes
    by_slot: dict[str, list[LinkBudget]] = {}
    for link, position in zip(links, build.position, strict=True):
        if position.label in below or link.kind == "none":
            continue
        if position.slot:
            by_slot.setdefault(position.slot, []).append(link)
        elif link.kind not in _ON_CONTROLLER or link.lanes:
            yield link.label, link.lanes
    for name, inside in by_slot.items():
        slot = build.slot[name]
        # Of a slot that is not split, what its device takes: a board may give the rest of its lanes to another slot.
        is_card = any(f"slot {name}" in link.shared for link in inside)
        own = slot.lanes if is_card else inside[0].lanes
        yield f"slot {name}", sum(slot.split) or own
