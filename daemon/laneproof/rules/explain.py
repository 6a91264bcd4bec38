"""Each rule's page, made of the rule itself: ``laneproof explain`` prints one, ``docs/findings.md`` holds them all.

``python -m laneproof.rules.explain >docs/findings.md`` writes that file; a test finds it out of date.
"""

import textwrap
from collections.abc import Iterator
from itertools import chain

from laneproof.advice import CAUTIONS, split_step
from laneproof.findings import Kind
from laneproof.rules.catalogue import RULES, rule_named
from laneproof.rules.recurring import COMES_AND_GOES
from laneproof.rules.rule import Rule

WIDTH = 80

_KINDS = {
    Kind.DIFFERS: "finds a difference",
    Kind.SIGN: "finds a sign of failure",
    Kind.UNVERIFIED: "finds what could not be read",
}

_COMES_AND_GOES = (
    " An alarm that comes a third time within two weeks stays, even while all is well, until that has lasted for as "
    "long as its own history asks for: between a day and a week."
)

_OPENING = """# Findings

<!-- Written by `python -m laneproof.rules.explain`; change the rules, not this file. -->

A finding is one judgement by one rule about one subject. It is one of three kinds: `differs` (against the build, or
against what the parts themselves could do), `sign` (of failure) or `unverified` (it could not be read, so nothing is
claimed). What could not be read is never reported as fine; any rule below can say `unverified`.

The severity is a word of RFC 5424: a `notice` is to be read when you next look, a `warning` or `critical` is an alarm,
worth being disturbed for. A difference that the owner accepts (`[[accept]]` in the declaration) is still shown, with
the reason, and does not count in the verdict.

`laneproof explain RULE` prints any of these pages.
"""


def explain(rule_name: str) -> str:
    """Give a rule's page as plain text that fits 80 columns.

    Args:
        rule_name: The rule's id, such as ``link-slow``.

    Raises:
        KeyError: There is no such rule.
    """
    rule = rule_named(rule_name)
    if rule is None:
        raise KeyError(rule_name)
    return "\n".join(_write_page(rule, heading="#")).rstrip()


def write_findings() -> str:
    """Give the whole reference of findings, ``docs/findings.md``."""
    index = ["| rule | what should hold |", "| --- | --- |"]
    index += [f"| [`{rule.name}`](#{rule.name}) | {rule.statement} |" for rule in RULES]
    pages = [line for rule in RULES for line in _write_page(rule, heading="##")]
    return "\n".join((_OPENING, *index, "", *pages)).rstrip() + "\n"


def _write_page(rule: Rule, *, heading: str) -> Iterator[str]:
    steps = [split_step(step) for step in rule.next_steps]
    says = enumerate((step.says for step in steps if step.says), start=1)
    carried = {caution for step in steps for caution in step.cautions}
    cautions = [caution for caution in CAUTIONS if caution in carried]
    yield from (f"{heading} {rule.name}", "", *_wrap(f"{rule.statement} ({_KINDS[rule.kind]})"), "")
    why = rule.why + (_COMES_AND_GOES if rule.name in COMES_AND_GOES else "")
    yield from _write_section(f"{heading}# Why it matters", _wrap(why))
    yield from _write_section(
        f"{heading}# What to look at next", *(_wrap(step, first=f"{number}. ") for number, step in says)
    )
    yield from _write_section(
        f"{heading}# Before you touch the box", *(_wrap(caution, first="- ") for caution in cautions)
    )
    yield from _write_section(f"{heading}# Examples", *(_write_example(*example) for example in rule.examples))
    yield from _write_section(f"{heading}# Sources", *(_wrap(source, first="- ") for source in rule.sources))


def _write_section(title: str, *paragraphs: list[str]) -> Iterator[str]:
    if paragraphs:
        yield from (title, "", *chain.from_iterable(paragraphs), "")


def _write_example(outcome: str, case: str, *summaries: str) -> list[str]:
    shown = [line for summary in summaries for line in _wrap(f"“{summary}”", first="  ")]
    return [*_wrap(f"**{outcome}**: {case}", first="- "), *shown]


def _wrap(text: str, *, first: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first),
        break_long_words=False,
        break_on_hyphens=False,
    )


if __name__ == "__main__":
    print(write_findings(), end="")  # noqa: T201 (the output)
