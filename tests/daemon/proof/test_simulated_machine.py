"""The made-up machine is the same for one seed, and errs as often as it was told to."""

import pytest
from scipy import stats

from laneproof.proof.simulated_machine import Fault
from proven_box import RISER_3, run_box


def test_a_seed_is_a_story() -> None:
    faults = {RISER_3: Fault(errors_per_bit=1e-12)}
    assert run_box(faults, mode="quick", seed=7) == run_box(faults, mode="quick", seed=7)
    assert run_box(faults, mode="quick", seed=7) != run_box(faults, mode="quick", seed=8)


def test_errors_come_at_their_rate() -> None:
    """A Poisson count within the bounds that scipy gives it, one run in ten thousand outside."""
    run = run_box({RISER_3: Fault(errors_per_bit=1e-11)}, mode="quick")
    link = next(link for link in run.links if link.name == RISER_3)
    low, high = stats.poisson.ppf((5e-5, 1 - 5e-5), 1e-11 * link.bits)
    assert low <= link.errors <= high
    assert link.bits == pytest.approx(5.5e12, rel=0.1)
