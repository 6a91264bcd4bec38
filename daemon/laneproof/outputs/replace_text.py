"""The replacement guide as text: the answer and what must not be touched first, then why, then the steps.

Commands stand on lines of their own, whole, to be read before use.
"""

from collections.abc import Iterator, Sequence

from laneproof.box.shown_positions import ShownPosition
from laneproof.outputs.marked_tree import draw_tree
from laneproof.outputs.position_words import say_occupant, say_serial
from laneproof.outputs.text_style import Style
from laneproof.replacement import Fit, FitItem, Guide, GuideStep, Safety, SafetyReason, Weight

HERE, KEEP = "the one to replace", "do not touch"

ANSWERS = {
    Safety.SAFE: ("SAFE NOW", "32"),
    Safety.NOT_SAFE: ("NOT SAFE NOW", "1;31"),
    Safety.UNVERIFIED: ("NOT SURE", "33"),
}
NOT_SURE = "Not all that decides it is in order, or could be read. Settle the points below first."
STEPS_HEADINGS = {
    Safety.SAFE: "Steps, in this order",
    Safety.NOT_SAFE: "Steps, in this order, once it is safe",
    Safety.UNVERIFIED: "Steps, in this order, once the points above are settled",
}
REASON_HEADINGS = (
    (Weight.STOPS, "Not now, because"),
    (Weight.DOUBTS, "Settle these first"),
    (Weight.MIND, "Good to know"),
    (Weight.SPEAKS_FOR, "Speaks for replacing it"),
)
_RESULTS = {True: ("ok", "32"), False: ("NO", "1;31"), None: ("?", "36")}
_VERDICTS = {
    "fits": ("THE NEW DRIVE FITS", "32"),
    "differs": ("THE NEW DRIVE DOES NOT FIT", "1;31"),
    "unverified": ("THE NEW DRIVE COULD NOT BE VERIFIED", "33"),
}
DEFERS = "The manuals of board, supply, card and drive come before this guide; so do local rules for work on mains."


def write_guide(guide: Guide, positions: Sequence[ShownPosition], style: Style, *, with_steps: bool) -> str:
    """Write the guide, with a line end; without its steps it ends with why they are not shown."""
    lines = [*_headline(guide, style), *_list_keeps(guide, style)]
    for weight, heading in REASON_HEADINGS:
        reasons = [reason for reason in guide.reasons if reason.weight is weight]
        lines += style.put_under(heading, (line for reason in reasons for line in _describe_reason(reason, style)))
    marks = {keep.path: KEEP for keep in guide.keep if keep.path} | {guide.position.path: _mark_of(guide)}
    lines += style.put_under("Where", draw_tree(positions, marks, style))
    if with_steps:
        lines += ["", *style.head(STEPS_HEADINGS[guide.safety])]
        said: set[str] = set()
        for number, step in enumerate(guide.steps, start=1):
            lines += _describe_step(number, step, said, style)
        lines += ["", *style.wrap(DEFERS, "", "")]
    else:
        lines += ["", *style.wrap("The steps are not shown, since it is not safe now. --yes shows them.", "", "")]
    return "\n".join(lines) + "\n"


def _mark_of(guide: Guide) -> str:
    return KEEP if guide.position.path in {keep.path for keep in guide.keep} else HERE


def _headline(guide: Guide, style: Style) -> Iterator[str]:
    position = guide.position
    said, code = ANSWERS[guide.safety]
    what = "fitting a drive in" if position.occupant is None else "replacing the drive in"
    yield from style.wrap_under(said, f": {what} {position.name}", code, rest="")
    if position.occupant is not None:
        who = f"{say_occupant(position.occupant)}, serial number {say_serial(position.occupant)}"
        yield from style.wrap(who, "  ")
    if guide.safety is Safety.UNVERIFIED:
        yield from style.wrap(NOT_SURE, "  ")


def _list_keeps(guide: Guide, style: Style) -> Iterator[str]:
    if not guide.keep:
        return
    yield ""
    yield style.paint("Must not be touched", "1;31")
    for keep in guide.keep:
        yield from style.wrap(f"{keep.name}: {keep.drive} ({keep.why})", "  ")


def _describe_reason(reason: SafetyReason, style: Style) -> Iterator[str]:
    yield from style.wrap(reason.says, "  - ", "    ")
    if reason.do:
        yield from style.wrap(reason.do, "    do: ", "      ")


def _describe_step(number: int, step: GuideStep, said: set[str], style: Style) -> Iterator[str]:
    """Write one step, with those of its cautions that no step before it has said."""
    yield from style.wrap(step.title, f"{number:>2}. ", "    ")
    yield from style.wrap_each(step.says, "    ", "    ")
    yield from (f"      {style.clean(command)}" for command in step.commands)
    yield from style.wrap_each((text for text in step.cautions if text not in said), "    ! ", "      ")
    said.update(step.cautions)


def write_fit(fit: Fit, style: Style) -> str:
    """Write what became of a replacement, with a line end."""
    said, code = _VERDICTS[fit.verdict]
    lines = [f"{style.paint(said, code)}: {style.clean(fit.position.name)}"]
    lines += style.wrap(say_occupant(fit.position.occupant), "  ")
    for item in fit.items:
        lines += _describe_item(item, style)
    advice = style.wrap_each(fit.advice, "  - ", "    ")
    lines += style.put_under(
        "What to do next", (*advice, *(f"      {style.clean(command)}" for command in fit.commands))
    )
    return "\n".join(lines) + "\n"


def _describe_item(item: FitItem, style: Style) -> Iterator[str]:
    word, code = _RESULTS[item.holds]
    first, *rest = style.wrap(f"{item.what}: {item.says}", f"  {word:<2}  ", "      ")
    yield first.replace(word, style.paint(word, code), 1)
    yield from rest
