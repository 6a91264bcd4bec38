"""What changed between two looks, as text: how much first, then each change with what goes with it.

Words carry the meaning; colour only repeats it. What does not fit the width is wrapped, never cut.
"""

import textwrap
from collections.abc import Iterator

from laneproof.changes import About, Change, Comparison, DatedInventory
from laneproof.findings import format_time
from laneproof.outputs.audit_text import Style

_HEADINGS = {
    About.FIRMWARE: "Board and firmware",
    About.KERNEL: "Kernel",
    About.DRIVE: "Drives",
    About.DEVICE: "Other devices",
    About.LINK: "Links",
    About.SETTING: "Settings",
    About.ARRAY: "Arrays",
    About.MEMORY: "Memory",
    About.NETWORK: "Network",
}
_HEADING, _CHANGED, _SAME, _UNVERIFIED = "1", "33", "32", "36"


def write_changes(before: DatedInventory, after: DatedInventory, comparison: Comparison, style: Style) -> str:
    """Write the whole text, with a line end.

    Args:
        before: The earlier one.
        after: The later one.
        comparison: What changed.
        style: How to write.
    """
    lines = [*_headline(before, after, comparison, style)]
    for about, heading in _HEADINGS.items():
        if members := [one for one in comparison.changes if one.about is about]:
            lines += ["", style.paint(heading, _HEADING)]
            for one in members:
                lines += _describe(one, style, indent="  ")
    for heading, texts in (
        ("Worth knowing", comparison.notes),
        ("Could not be compared", [f"{one.part}: {one.why}" for one in comparison.gaps]),
    ):
        if texts:
            lines += ["", style.paint(heading, _HEADING)]
            for text in texts:
                lines += _wrap(text, style, first="  ")
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
    for word, look in (("from", before), ("to  ", after)):
        yield from _wrap(f"{word} {format_time(look.taken_at)}  {look.name}", style, first="  ")
    if two:
        yield from _wrap(f"Two boxes are compared: {before.box} with {after.box}.", style, first="  ")
    if before.taken_at > after.taken_at:
        yield from _wrap("The first look is the later one, so the changes are told backwards.", style, first="  ")


def _describe(change: Change, style: Style, *, indent: str) -> Iterator[str]:
    yield from _wrap(f"{change.subject}: {change.summary}", style, first=indent)
    if change.details:
        yield from _wrap("with it:", style, first=f"{indent}  ")
    for one in change.details:
        yield from _describe_detail(one, change, style, indent=f"{indent}    ")


def _describe_detail(detail: Change, above: Change, style: Style, *, indent: str) -> Iterator[str]:
    subject = "" if detail.subject == above.subject else f"{detail.subject}: "
    yield from _wrap(f"{subject}{detail.summary}", style, first=indent)
    for one in detail.details:
        yield from _describe_detail(one, detail, style, indent=f"{indent}  ")


def _wrap(text: str, style: Style, *, first: str) -> list[str]:
    return textwrap.wrap(
        style.clean(text),
        style.width,
        initial_indent=first,
        subsequent_indent=f"{first}  ",
        break_on_hyphens=False,
    )
