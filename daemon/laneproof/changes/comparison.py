"""Two inventories in, all that changed out: what belongs together is one change with its list.

An update of the board's firmware that reset several settings is one event, not ten: what firmware decides (splits, what
ports can do and aim at, memory rates, who owns error reporting) stands below it. Likewise for another kernel.
"""

from collections.abc import Iterator
from dataclasses import replace

from laneproof.box.inventory.inventory import Inventory
from laneproof.changes.change import Change, Comparison, Gap, Outcome, Pair, Topic
from laneproof.changes.drives import DeviceChanges, compare_devices
from laneproof.changes.links import compare_links
from laneproof.changes.rest_of_box import compare_arrays, compare_memory, compare_network
from laneproof.changes.settings import compare_board, compare_firmware, compare_kernel, compare_settings


def compare(before: Inventory, after: Inventory) -> Comparison:
    """Compare two inventories, the earlier one first: what changed, what is worth knowing, and what is not known."""
    pair = Pair(before, after)
    devices = compare_devices(pair)
    links = compare_links(pair, devices.changes, devices.unsteady)
    by_command_line, settings = compare_settings(pair)
    rates, modules = compare_memory(pair)
    renumbered, moved = _split_renumbered(pair, links.devices)
    firmware, kernel = compare_firmware(pair), compare_kernel(pair)
    by_firmware = (*links.by_firmware, *rates, *renumbered)
    if kernel is not None:
        kernel, settings = replace(kernel, details=settings), ()
    if firmware is not None:
        firmware = replace(firmware, details=(*by_firmware, *settings))
        by_firmware, settings = (), ()
    changes = (
        *(change for change in (firmware, kernel) if change is not None),
        *compare_board(pair),
        *by_command_line,
        *settings,
        *by_firmware,
        *moved,
        *links.trained,
        *compare_arrays(pair),
        *modules,
        *compare_network(pair),
    )
    order = list(Topic)
    return Comparison(
        changes=tuple(sorted(changes, key=lambda change: order.index(change.about))),
        notes=tuple(_list_notes(pair, devices)),
        gaps=(*_list_gaps(pair), *devices.gaps),
    )


def _split_renumbered(pair: Pair, devices: tuple[Change, ...]) -> tuple[tuple[Change, ...], tuple[Change, ...]]:
    """Give first what only seems moved: with another firmware, from a port that is no more to one that was not."""
    before, after = ({port.path for port in some.ports or ()} for some in (pair.before, pair.after))
    renumbered = []
    if not pair.same_firmware:
        positions = {pair.name_position(path): path for path in pair.positions_before}
        for device in devices:
            old = positions.get(device.before or "", "")
            if device.what is Outcome.MOVED and old in before - after and device.path in after - before:
                renumbered.append(device)
    return (
        tuple(replace(device, summary=f"ports may have new numbers: {device.summary}") for device in renumbered),
        tuple(device for device in devices if device not in renumbered),
    )


def _list_notes(pair: Pair, devices: DeviceChanges) -> Iterator[str]:
    old, new = pair.before.firmware, pair.after.firmware
    if old and new and old.boot_id and new.boot_id and old.boot_id != new.boot_id:
        yield "the box was restarted in between"
    if devices.renamed:
        names = ", ".join(f"{position} was {old}, is {new}" for position, old, new in devices.renamed)
        yield f"the kernel gave out names again: {names}"


_PARTS = ("firmware", "settings", "ports", "devices", "arrays", "memory", "interfaces", "bonds")


def _list_gaps(pair: Pair) -> Iterator[Gap]:
    """Give what could not be compared: parts that one snapshot or both could not read, or do not hold."""
    unread = pair.before.unread, pair.after.unread
    for part in sorted(unread[0].keys() | unread[1].keys()):
        earlier, later = (some.get(part) for some in unread)
        sides = [f"the {side} snapshot {text}" for side, text in (("earlier", earlier), ("later", later)) if text]
        why = f"both snapshots {earlier}" if earlier == later else "; ".join(sides)
        yield Gap(part=part, why=why, one_sided=earlier is None or later is None)
    for part in _PARTS:
        held = getattr(pair.before, part) is not None, getattr(pair.after, part) is not None
        if held[0] != held[1] and part not in unread[0] | unread[1]:
            side = "earlier" if held[1] else "later"
            yield Gap(part=part, why=f"the {side} snapshot does not hold it", one_sided=True)
