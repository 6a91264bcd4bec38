"""link-slow: each link's rate against its declaration, or what both its ends can do."""

from laneproof.findings import Kind
from laneproof.rules.example_box import RISER_PATH, Box, declare_link, link_box
from laneproof.rules.links.link_figures import RATE, SLOW_STEPS, SOURCES, judge_below
from laneproof.rules.rule import Example, Rule

LINK_SLOW = Rule(
    name="link-slow",
    kind=Kind.DIFFERS,
    statement="Each link runs at its declared rate; an undeclared one at what both its ends can do.",
    why=(
        "A link negotiates its rate at each start and falls back when the signal is not good enough. Nothing tells of "
        "it: the drive works, at half its rate or less, and an array is as slow as its slowest member. A rate that "
        "fell since the last start is often the first sign of a cable, adapter or socket going bad. The finding says "
        "what keeps the rate down as far as the machine shows it: the device's own limit, the port's, a target rate "
        "set by firmware or kernel, or training itself. A link at rest is not at fault: where the device sleeps, or "
        "the hardware lowered the rate by itself with power management on, the finding is unverified. Under load such "
        "a link rises again, and a fault stays."
    ),
    look_next=SLOW_STEPS,
    judge=lambda current: judge_below(RATE, current),
    examples=(
        Example(
            says="declared generation 4, and trained so",
            build=declare_link(4, 4),
            snapshot=lambda: link_box().snapshot(),
            expect=(),
        ),
        Example(
            says="both ends can do generation 4, but training ended at generation 3",
            build=declare_link(4, 4),
            snapshot=lambda: link_box(trained=(3, 4)).snapshot(),
            expect=("differs warning 0000:01:00.0 | 8 GT/s (generation 3), declared 16 GT/s | Shut down, wait a",),
        ),
        Example(
            says="a target rate of generation 1 holds the port down",
            build=declare_link(4, 4),
            snapshot=lambda: link_box(target=1).snapshot(),
            expect=("differs warning 0000:01:00.0 | at 2.5 GT/s (generation 1), declared 16 | Look in the",),
        ),
        Example(
            says="the owner chose generation 3 for a long cable: the limit is the plan",
            build=declare_link(3, 4, "flexible-cable"),
            snapshot=lambda: link_box(target=3).snapshot(),
            expect=(),
        ),
        Example(
            says="the device sleeps, so its link may rest at a lower rate",
            build=declare_link(4, 4),
            snapshot=lambda: Box().with_port(RISER_PATH, trained=(1, 4)).with_drive(RISER_PATH, asleep=True).snapshot(),
            expect=("unverified notice 0000:01:00.0 | not be verified: 0000:01:00.0 sleeps | Judge it again",),
        ),
        Example(
            says="nothing is declared, and the link trained below what both ends can do: a notice",
            build=None,
            snapshot=lambda: link_box(trained=(3, 4)).snapshot(),
            expect=("differs notice 0000:01:00.0 | 0000:00/01.1 trained at 8 GT/s | Shut down, wait a",),
        ),
    ),
    sources=SOURCES,
)
