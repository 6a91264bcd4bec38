"""What changed between two snapshots, as text: how much first, then each change with what goes with it.

What does not fit the width is wrapped, never cut.
"""

from collections.abc import Iterator

from laneproof.changes import Change, Comparison, DatedInventory, Topic
from laneproof.findings import format_time
from laneproof.outputs.text_style import Style

_HEADINGS = {
    Topic.FIRMWARE: "Board and firmware",
    Topic.KERNEL: "Kernel",
    Topic.DRIVE: "Drives",
    Topic.DEVICE: "Other devices",
    Topic.LINK: "Links",
    Topic.SETTING: "Settings",
    Topic.ARRAY: "Arrays",
    Topic.MEMORY: "Memory",
    Topic.NETWORK: "Network",
}
_CHANGED, _SAME, _UNVERIFIED = "33", "32", "36"


def write_changes(before: DatedInventory, after: DatedInventory, comparison: Comparison, style: Style) -> str:
    """Write the whole text, with a line end."""
    lines = [*_headline(before, after, comparison, style)]
    for about, heading in _HEADINGS.items():
        changes = [change for change in comparison.changes if change.about is about]
        lines += style.put_under(heading, (line for change in changes for line in _describe(change, style)))
    lines += style.put_under("Also", style.wrap_each(comparison.notes))
    gaps = style.wrap_each(f"{gap.part}: {gap.why}" for gap in comparison.gaps)
    lines += style.put_under("Could not be compared", gaps)
    return "\n".join(lines) + "\n"


def _headline(before: DatedInventory, after: DatedInventory, comparison: Comparison, style: Style) -> Iterator[str]:
    count = len(comparison.changes)
    said, code = {
        "changed": (f"{count} CHANGE{'S' if count > 1 else ''}", _CHANGED),
        "same": ("NO CHANGE", _SAME),
        "unverified": ("NO CHANGE SEEN, but not all could be compared", _UNVERIFIED),
    }[comparison.verdict]
    two = before.box is not None and after.box is not None and before.box != after.box
    box = f"{before.box} and {after.box}" if two else after.box or before.box or "this box"
    yield style.paint(style.clean(f"{box}: {said}"), code)
    for word, dated in (("from", before), ("to  ", after)):
        yield from style.wrap(f"{word} {format_time(dated.taken_at)}  {dated.name}", "  ")
    if two:
        yield from style.wrap(f"Two boxes are compared: {before.box} with {after.box}.", "  ")
    if before.taken_at > after.taken_at:
        yield from style.wrap("The first snapshot is the later one, so the changes run backwards.", "  ")


def _describe(change: Change, style: Style) -> Iterator[str]:
    yield from style.wrap(f"{change.subject}: {change.summary}", "  ")
    if change.details:
        yield "    with it:"
    for detail in change.details:
        yield from _describe_detail(detail, change, style, indent="      ")


def _describe_detail(detail: Change, above: Change, style: Style, *, indent: str) -> Iterator[str]:
    subject = "" if detail.subject == above.subject else f"{detail.subject}: "
    yield from style.wrap(f"{subject}{detail.summary}", indent)
    for inner in detail.details:
        yield from _describe_detail(inner, detail, style, indent=f"{indent}  ")
