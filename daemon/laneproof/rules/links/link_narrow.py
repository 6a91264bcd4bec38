"""link-narrow: each link's width against its declaration, or what both its ends have."""

from collections.abc import Iterator

from laneproof.advice import RESEAT, SWAP_DRIVES, advise
from laneproof.findings import Finding, Kind
from laneproof.rules.links.link_figures import WIDTH, judge_below
from laneproof.rules.links.link_subjects import SOURCES
from laneproof.rules.rule import Pass, Rule, differs, holds, unverified


def _judge(current: Pass) -> Iterator[Finding]:
    return judge_below(LINK_NARROW, WIDTH, current)


LINK_NARROW = Rule(
    name="link-narrow",
    kind=Kind.DIFFERS,
    statement="Each link uses its declared number of lanes; an undeclared one as many as both its ends have.",
    why=(
        "A link that lost lanes carries half or a quarter of what it should, silently. Lanes get lost in a dirty or "
        "half-seated contact, a bent pin, a bad solder joint or a damaged cable; or they were never there, because the "
        "adapter or socket is wired for fewer."
    ),
    next_steps=advise(
        "Shut down, wait a minute and start cold, and audit again: lanes that come and go mean a contact at its limit.",
        RESEAT,
        SWAP_DRIVES,
    ),
    judge=_judge,
    examples=(
        holds("declared four lanes, and trained with four"),
        differs(
            "both ends have four lanes, but only two trained",
            "riser-1 trained at x2, declared x4: both ends allow more, so training itself fell short (signal path)",
        ),
        unverified(
            "the width could be read at neither end",
            "link-narrow of riser-1 could not be verified: could not read current_link_width of 0000:00:01.1: denied",
        ),
    ),
    sources=SOURCES,
)
