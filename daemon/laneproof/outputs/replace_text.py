"""The replacement guide as text: the answer and what must not be touched first, then why, then the steps.

Words carry the meaning; colour only repeats it. Commands stand on lines of their own, whole, to be read before use.
"""

import textwrap
from collections.abc import Iterator, Sequence

from laneproof.outputs.audit_text import Style
from laneproof.outputs.inventory import Place
from laneproof.outputs.marked_tree import draw_tree
from laneproof.outputs.place_words import say_occupant, say_serial
from laneproof.replacement import Fit, FitItem, Guide, Reason, Safety, Step, Weight

HERE, KEEP = "the one to replace", "do not touch"

_HEADING = "1"
_ANSWERS = {
    Safety.SAFE: ("SAFE NOW", "32"),
    Safety.NOT_SAFE: ("NOT SAFE NOW", "1;31"),
    Safety.UNVERIFIED: ("NOT SURE", "33"),
}
_NOT_SURE = "Nothing seen speaks against it, but not all that decides it could be read. See to the points below first."
_RESULTS = {True: ("ok", "32"), False: ("NO", "1;31"), None: ("?", "36")}
_VERDICTS = {
    "fits": ("THE NEW DRIVE FITS", "32"),
    "differs": ("THE NEW DRIVE DOES NOT FIT", "1;31"),
    "unverified": ("THE NEW DRIVE COULD NOT BE VERIFIED", "33"),
}
_DEFERS = "The manuals of board, supply, card and drive come before this guide; so do local rules for work on mains."


def write_guide(guide: Guide, places: Sequence[Place], style: Style, *, with_steps: bool) -> str:
    """Write the guide, with a line end.

    Args:
        guide: The guide.
        places: The whole tree, for the picture.
        style: How to write.
        with_steps: Whether to write the steps; without them the text ends with why not.
    """
    lines = [*_headline(guide, style), *_list_keeps(guide, style)]
    headings = (
        (Weight.STOPS, "Not now, because"),
        (Weight.DOUBTS, "To be settled first"),
        (Weight.MIND, "To be known"),
        (Weight.SPEAKS_FOR, "For it"),
    )
    for weight, heading in headings:
        if reasons := [one for one in guide.reasons if one.weight is weight]:
            lines += ["", style.paint(heading, _HEADING)]
            for one in reasons:
                lines += _describe_reason(one, style)
    marks = {one.path: KEEP for one in guide.keep if one.path} | {guide.place.path: _mark_of(guide)}
    lines += ["", style.paint("Where", _HEADING), *draw_tree(places, marks, style)]
    if with_steps:
        lines += ["", style.paint("Steps, in this order", _HEADING)]
        for number, step in enumerate(guide.steps, start=1):
            lines += _describe_step(number, step, style)
        lines += ["", *_wrap(_DEFERS, style, first="", then="")]
    else:
        lines += [
            "",
            *_wrap("The steps are not shown, since it is not safe now. --yes shows them.", style, first="", then=""),
        ]
    return "\n".join(lines) + "\n"


def _mark_of(guide: Guide) -> str:
    return KEEP if guide.place.path in {one.path for one in guide.keep} else HERE


def _headline(guide: Guide, style: Style) -> Iterator[str]:
    place = guide.place
    said, code = _ANSWERS[guide.safety]
    what = "fitting a drive in" if place.occupant is None else "swapping the drive in"
    head = style.clean(f"{said}: {what} {place.name}")
    first, *rest = textwrap.wrap(head, style.width, break_on_hyphens=False)
    yield style.paint(said, code) + first.removeprefix(said)
    yield from rest
    if place.occupant is not None:
        who = f"{say_occupant(place.occupant)}, serial number {say_serial(place.occupant)}"
        yield from _wrap(who, style, first="  ")
    if guide.safety is Safety.UNVERIFIED:
        yield from _wrap(_NOT_SURE, style, first="  ")


def _list_keeps(guide: Guide, style: Style) -> Iterator[str]:
    if not guide.keep:
        return
    yield ""
    yield style.paint("Must not be touched", "1;31")
    for one in guide.keep:
        yield from _wrap(f"{one.name}: {one.drive} ({one.why})", style, first="  ")


def _describe_reason(reason: Reason, style: Style) -> Iterator[str]:
    yield from _wrap(reason.says, style, first="  - ", then="    ")
    if reason.do:
        yield from _wrap(reason.do, style, first="    do: ", then="      ")


def _describe_step(number: int, step: Step, style: Style) -> Iterator[str]:
    yield from _wrap(step.title, style, first=f"{number:>2}. ", then="    ")
    for text in step.says:
        yield from _wrap(text, style, first="    ", then="    ")
    for command in step.commands:
        yield f"      {style.clean(command)}"
    for text in step.cautions:
        yield from _wrap(text, style, first="    ! ", then="      ")


def write_fit(fit: Fit, style: Style) -> str:
    """Write what became of a replacement, with a line end.

    Args:
        fit: What was looked at.
        style: How to write.
    """
    said, code = _VERDICTS[fit.verdict]
    lines = [f"{style.paint(said, code)}: {style.clean(fit.place.name)}"]
    lines += _wrap(say_occupant(fit.place.occupant), style, first="  ")
    for one in fit.items:
        lines += _describe_item(one, style)
    if fit.advice or fit.commands:
        lines += ["", style.paint("What to do next", _HEADING)]
        for text in fit.advice:
            lines += _wrap(text, style, first="  - ", then="    ")
        lines += [f"      {style.clean(one)}" for one in fit.commands]
    return "\n".join(lines) + "\n"


def _describe_item(item: FitItem, style: Style) -> Iterator[str]:
    word, code = _RESULTS[item.holds]
    first, *rest = _wrap(f"{item.what}: {item.says}", style, first=f"  {word:<2}  ", then="      ")
    yield first.replace(word, style.paint(word, code), 1)
    yield from rest


def _wrap(text: str, style: Style, *, first: str, then: str | None = None) -> list[str]:
    return textwrap.wrap(
        style.clean(text),
        style.width,
        initial_indent=first,
        subsequent_indent=f"{first}  " if then is None else then,
        break_on_hyphens=False,
    )
