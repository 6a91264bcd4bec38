"""All samples of a pass."""

import pytest

from boxes.passes import Passes, samples_of
from laneproof.history.origins import map_devices
from laneproof.history.sampled_groups import SAMPLERS, sample_group
from laneproof_collectors.snapshot import GROUPS

# Groups without a counter or reading: what they say is kept in inventories.
NOT_SAMPLED = {"slots", "power", "firmware", "mapped"}


def test_every_group_of_facts_that_counts_something_is_sampled() -> None:
    assert set(SAMPLERS) == GROUPS - NOT_SAMPLED


@pytest.mark.parametrize("group", SAMPLERS)
def test_a_group_that_could_not_be_read_gives_nothing_and_the_others_go_on(passes: Passes, group: str) -> None:
    where = map_devices(passes.facts)
    broken = passes.unread(group).facts
    assert list(sample_group(broken, group, where)) == []
    others = [other for other in SAMPLERS if other != group]
    assert list(samples_of(broken, where)) == [
        sample for other in others for sample in sample_group(Passes().facts, other, where)
    ]


def test_no_thing_is_sampled_twice() -> None:
    keys = [
        (sample.origin, sample.measure.name) for sample in samples_of(Passes().errors("0000:00/01.1", BadTLP=1).facts)
    ]
    assert len(keys) == len(set(keys))
