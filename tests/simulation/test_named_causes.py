"""One simulated box of each kind through the whole program: the cause that it names is the true one.

Slow, hence a stage of its own (marker ``worlds``). The seeds are fixed, of the family on which the weights were tuned;
what the diagnosis is worth on boxes that it never saw stands in docs/evidence.md.
"""

from dataclasses import replace

import pytest

from simulation.families import TUNING
from simulation.plots import KINDS
from simulation.replaying import try_world
from simulation.worlds import make_world

SIX_WEEKS = replace(TUNING, pace=((3600.0, 45.0),))
SEEDS = {"heat": 0}
"""Where the first seed draws a fault that does not last."""


@pytest.mark.worlds
@pytest.mark.parametrize("kind", KINDS)
def test_the_cause_named_is_the_true_one_and_what_is_sound_raises_no_alarm(kind: str) -> None:
    world = make_world(kind, SEEDS.get(kind, 1), SIX_WEEKS)
    scored = try_world(world)
    assert [(fault.cause, fault.named) for fault in scored.faults] == [(fault.cause,) * 2 for fault in world.faults]
    assert all(fault.lasted for fault in scored.faults)
    assert len(scored.faults) == {"healthy": 0, "two-at-once": 2}.get(kind, 1)
    assert scored.false_alarms == []
