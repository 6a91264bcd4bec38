"""The replacement guide as a page for a phone beside the open box: a screen a step, all of them in one document.

The box that is opened serves the page, so it has to be whole before the box is shut down: nothing is loaded from step
to step. Its script stops reading it again once the box has not answered, for after that the drive may be another.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.findings import order_findings
from laneproof.outputs.box_picture import Mark
from laneproof.outputs.markup import Markup, join, tag, write_section
from laneproof.outputs.page.position_page import write_way_back
from laneproof.outputs.page.position_tree import TreeNotes, write_tree
from laneproof.outputs.page.shell import BoxFacts, write_age, write_document
from laneproof.outputs.page.words import FROM_BELOW, Anchors, draw_mark
from laneproof.outputs.position_words import say_occupant, say_serial
from laneproof.outputs.replace_text import ANSWERS, DEFERS, NOT_SURE, REASON_HEADINGS, STEPS_HEADINGS
from laneproof.replacement import Guide, GuideStep, Safety

_MARKS = {Safety.SAFE: "holds", Safety.NOT_SAFE: "differs", Safety.UNVERIFIED: "unverified"}
_STAYS_OPEN = (
    "The box itself serves this page. Before you shut it down, print the page or leave it open: it stays as it is, "
    "and cannot be loaded again until the box runs."
)
_HIDDEN = "The steps are not shown, since it is not safe now. "


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideFacts(BoxFacts):
    """What the page is made of; `gap` is why nothing is known of earlier passes, None where something is."""

    guide: Guide
    gap: str | None = None
    with_steps: bool = False


def write_guide_page(facts: GuideFacts) -> str:
    """Write the whole document."""
    guide, position = facts.guide, facts.guide.position
    what = "Fitting a drive in" if position.occupant is None else "Replacing the drive in"
    answer, _ = ANSWERS[guide.safety]
    mark = _MARKS[guide.safety]
    headline = join((
        write_way_back(facts.build, facts.snapshot, FROM_BELOW.to_position(position.name)),
        tag("h1", draw_mark(mark), tag("span", answer.capitalize()), class_=mark),
        tag("p", f"{what} {position.name}", class_="counts", role="status"),
        write_age(facts.snapshot.taken_at, facts.age_seconds),
    ))  # fmt: skip
    return write_document(
        f"{what} {position.name}: {answer.lower()}",
        headline,
        join(_list_screens(facts)),
        age_seconds=facts.age_seconds,
        links=FROM_BELOW,
        kind="single guide",
        below=tag("p", DEFERS),
    )


def _list_screens(facts: GuideFacts) -> Iterator[Markup]:
    guide = facts.guide
    with_steps = facts.with_steps or guide.safety is not Safety.NOT_SAFE
    yield from _first_screen(facts, with_steps=with_steps)
    if not with_steps:
        yield tag("p", _HIDDEN, tag("a", "Show them all the same", href="?steps=shown"), ".")
        return
    yield tag("h2", STEPS_HEADINGS[guide.safety])
    said: set[str] = set()
    for number, step in enumerate(guide.steps, start=1):
        yield _write_step(number, len(guide.steps), step, [caution for caution in step.cautions if caution not in said])
        said.update(step.cautions)


def _first_screen(facts: GuideFacts, *, with_steps: bool) -> Iterator[Markup]:
    guide, position = facts.guide, facts.guide.position
    if position.occupant is not None:
        yield tag(
            "p", say_occupant(position.occupant), ", serial number ", tag("b", say_serial(position.occupant)), "."
        )
    if guide.safety is Safety.UNVERIFIED:
        yield tag("p", NOT_SURE)
    if facts.gap is not None:
        yield tag("p", f"What showed over time is not known here: {facts.gap}.")
    if guide.keep:
        rows = [tag("li", tag("b", keep.name), f": {keep.drive} ({keep.why})") for keep in guide.keep]
        yield write_section("Must not be touched", tag("ul", *rows))
    for weight, heading in REASON_HEADINGS:
        reasons = [reason for reason in guide.reasons if reason.weight is weight]
        if reasons:
            rows = [tag("li", reason.says, tag("p", reason.do) if reason.do else None) for reason in reasons]
            yield write_section(heading, tag("ul", *rows))
    ordered = order_findings(facts.findings)
    marks = {position.path: Mark.HERE} | {keep.path: Mark.KEEP for keep in guide.keep if keep.path}
    notes = TreeNotes(ordered=ordered, anchors=Anchors(ordered), links=FROM_BELOW, marks=marks)
    yield write_tree(facts.build, facts.snapshot, notes)
    if with_steps:
        yield tag("p", _STAYS_OPEN, class_="message")
        yield tag("p", tag("a", "To the first step", href="#step-1"), class_="turn")


def _write_step(number: int, count: int, step: GuideStep, cautions: Sequence[str]) -> Markup:
    name = f"step-{number}"
    before = tag("a", "Back", href=f"#step-{number - 1}" if number > 1 else "#main")
    after = tag("a", "Next", href=f"#step-{number + 1}") if number < count else None
    warned = tag("ul", *(tag("li", caution) for caution in cautions), class_="cautions") if cautions else None
    return tag(
        "section",
        tag("p", f"Step {number} of {count}", class_="soft"),
        tag("h3", step.title, id=f"{name}-title"),
        warned,
        *(tag("p", text) for text in step.says),
        tag("pre", tag("code", "\n".join(step.commands))) if step.commands else None,
        tag("nav", before, after, class_="turn", aria_label=f"Beside step {number}"),
        id=name,
        class_="step",
        aria_labelledby=f"{name}-title",
    )
