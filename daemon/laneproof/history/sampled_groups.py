"""What is sampled of a snapshot: pure, and group by group, so that a group that was not read again costs nothing.

Rules of this module: what could not be read gives no sample, never a 0; a count of one error bit is sampled only where
it is not 0 (its class's total is always there and says that it was counted).

Left out on purpose: the energy counters of processor packages, which wrap within the hour or two.
"""

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Any

from laneproof.history.origins import DeviceMap
from laneproof.history.sample import Sample
from laneproof.history.sampled_box import (
    sample_arrays,
    sample_bonds,
    sample_file_systems,
    sample_interfaces,
    sample_memory,
    sample_thermal,
)
from laneproof.history.sampled_drives import sample_controllers, sample_drives
from laneproof.history.sampled_links import sample_functions
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

Sampler = Callable[[Any, DeviceMap], Iterator[Sample]]
"""The facts of one group, and where things are -> samples."""

SAMPLERS: Mapping[str, Sampler] = MappingProxyType(
    {
        "functions": sample_functions,
        "controllers": sample_controllers,
        "drives": sample_drives,
        "arrays": sample_arrays,
        "interfaces": sample_interfaces,
        "bonds": sample_bonds,
        "memory": sample_memory,
        "thermal": sample_thermal,
        "file_systems": sample_file_systems,
    }
)
"""By the group of facts in `Snapshot`."""


def sample_group(snapshot: Snapshot, group: str, where: DeviceMap) -> Iterator[Sample]:
    """Sample one group; nothing where it could not be read as a whole."""
    facts = getattr(snapshot, group)
    return iter(()) if isinstance(facts, Unread) else SAMPLERS[group](facts, where)
