"""link-slow: each link's rate against its declaration, or what both its ends can do."""

from collections.abc import Iterator

from laneproof.advice import FIRMWARE_SETUP, RESEAT, SWAP_DRIVES, Step, advise
from laneproof.findings import Finding, Kind
from laneproof.rules.links.link_figures import RATE, judge_below
from laneproof.rules.links.link_subjects import SOURCES
from laneproof.rules.rule import Pass, Rule, differs, holds, unverified


def _judge(current: Pass) -> Iterator[Finding]:
    return judge_below(LINK_SLOW, RATE, current)


LINK_SLOW = Rule(
    name="link-slow",
    kind=Kind.DIFFERS,
    statement="Each link runs at its declared rate; an undeclared one at what both its ends can do.",
    why=(
        "A link negotiates its rate at each start and falls back when the signal is not good enough. Nothing reports "
        "it: the drive works, at half its rate or less, and an array is as slow as its slowest member. A rate that "
        "fell since the last start is often the first sign of a cable, adapter or socket going bad. The finding says "
        "what keeps the rate down as far as the machine shows it: the device's own limit, the port's, a target rate "
        "set by firmware or kernel, or training itself. A link at rest is not at fault: where the device sleeps, or "
        "the hardware lowered the rate by itself with power management on, the finding is unverified. Under load such "
        "a link rises again, and a fault stays."
    ),
    next_steps=advise(
        "Shut down, wait a minute and start cold, and audit again: a rate that comes and goes means a link at its "
        "limit.",
        RESEAT,
        SWAP_DRIVES,
        Step(
            "If a long cable cannot carry the rate, set a lower one in the firmware and declare it: steady beats fast.",
            (FIRMWARE_SETUP,),
        ),
    ),
    judge=_judge,
    examples=(
        holds("declared generation 4, and trained so"),
        differs(
            "both ends can do generation 4, but training ended at generation 3",
            "riser-1 trained at 8 GT/s (generation 3), declared 16 GT/s (generation 4): both ends allow more, "
            "so training itself fell short (signal path)",
        ),
        differs(
            "a target rate of generation 1 holds the port down",
            "riser-1 trained at 2.5 GT/s (generation 1), declared 16 GT/s (generation 4): the port's target "
            "rate (Link Control 2) is set to 2.5 GT/s (generation 1), by the firmware or by the kernel, which "
            "does so (since 6.5) when a link failed to train",
        ),
        holds("the owner chose generation 3 for a long cable: the limit is the plan"),
        unverified(
            "the device sleeps, so its link may rest at a lower rate",
            "link-slow of riser-1 could not be verified: 0000:01:00.0 sleeps (power state D3hot, runtime status"
            " suspended), so 2.5 GT/s (generation 1) against 16 GT/s (generation 4) may be a link at rest",
        ),
        differs(
            "nothing is declared, and the link trained below what both ends can do: a notice",
            "0000:00/01.1 trained at 8 GT/s (generation 3), both ends can do 16 GT/s (generation 4): both ends "
            "allow more, so training itself fell short (signal path)",
        ),
    ),
    sources=SOURCES,
)
