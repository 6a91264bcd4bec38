"""link-narrow: each link's width against its declaration, or what both its ends have."""

from dataclasses import replace

from laneproof.findings import Kind
from laneproof.rules.example_box import RISER_PATH, declare_link, link_box
from laneproof.rules.links.link_figures import NARROW_STEPS, SOURCES, WIDTH, judge_below
from laneproof.rules.rule import Example, Rule
from laneproof_collectors.snapshot import PciFunction, Snapshot
from laneproof_collectors.unread import Unread


def _unknown_width() -> Snapshot:
    def forget(one: PciFunction) -> PciFunction:
        return replace(
            one, link=replace(one.link, trained_lanes=Unread(f"current_link_width of {one.address}", "denied"))
        )

    return link_box().without_registers().edit(RISER_PATH, forget).edit(f"{RISER_PATH}/00.0", forget).snapshot()


LINK_NARROW = Rule(
    name="link-narrow",
    kind=Kind.DIFFERS,
    statement="Each link uses its declared number of lanes; an undeclared one as many as both its ends have.",
    why=(
        "A link that lost lanes carries half or a quarter of what it should, silently. Lanes get lost in a dirty or "
        "half-seated contact, a bent pin, a bad solder joint or a damaged cable; or they were never there, because the "
        "adapter or socket is wired for fewer."
    ),
    look_next=NARROW_STEPS,
    judge=lambda current: judge_below(WIDTH, current),
    examples=(
        Example(
            says="declared four lanes, and trained with four",
            build=declare_link(4, 4),
            snapshot=lambda: link_box().snapshot(),
            expect=(),
        ),
        Example(
            says="both ends have four lanes, but only two trained",
            build=declare_link(4, 4),
            snapshot=lambda: link_box(trained=(4, 2)).snapshot(),
            expect=("differs warning 0000:01:00.0 | riser-1 trained at x2, declared x4: both | Shut down, wait a",),
        ),
        Example(
            says="the width could be read at neither end",
            build=declare_link(4, 4),
            snapshot=_unknown_width,
            expect=("unverified notice 0000:01:00.0 | current_link_width of 0000:00:01.1: | Where the kernel",),
        ),
    ),
    sources=SOURCES,
)
