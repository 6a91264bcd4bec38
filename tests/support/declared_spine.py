"""A declaration with each table that the format began with, and ways to spoil it."""

import tomllib
from collections.abc import Callable

import pytest
from hypothesis import strategies as st

from laneproof.declaration.file import BuildError, parse_build

SPINE = """\
schema = 1
[box]
name = "kelp-1"
undeclared = "report"
[kernel]
command_line = ["pcie_aspm.policy=performance"]
aspm_policy = "performance"
links_aspm = "off"
nvme_default_ps_max_latency_us = 0
[slot.riser]
path = "0000:00"
lanes = 16
split = [4, 4, 4, 4]
[[position]]
label = "riser-1"
slot = "riser"
branch = 1
path = "0000:00/01.1"
through = ["passive-split", { kind = "flexible-cable", id = "F2" }]
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", role = "data", capacity = "4 TB", model = "Tidewater T4", serial = "TW-0001" }
[[position]]
label = "riser-2"
path = "0000:00/01.2"
[[array]]
name = "md0"
level = "raid1"
members = ["riser-1", "riser-2"]
[memory]
total = "64 GiB"
modules = 2
speed_mt_s = 5600
[[bond]]
name = "bond0"
mode = "802.3ad"
members = ["enp1s0f0", "enp1s0f1"]
member_speed_mbit_s = 10000
[[accept]]
rule = "link-slow"
position = "riser-1"
until = 2027-06-30
because = "spare cable on order"
"""
DATA = tomllib.loads(SPINE)


def complaints(text: str) -> list[str]:
    """Give what is said of a declaration that is refused, a line a problem."""
    with pytest.raises(BuildError) as caught:
        parse_build(text, name="build.toml")
    assert str(caught.value).splitlines() == [problem.sentence("build.toml") for problem in caught.value.problems]
    return str(caught.value).splitlines()


VALUES: st.SearchStrategy[object] = st.recursive(
    st.one_of(st.integers(), st.booleans(), st.floats(), st.text(max_size=5), st.dates(), st.datetimes())
    | st.sampled_from(
        ["4 TB", "0000:00/01.2", "board", "nvme", "off", "7 GB/s", "raid5", "802.3ad", {"kind": "board"}]
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)
"""What TOML can hold; now and then what some key of the declaration takes."""

Put = Callable[[object], object]


def ways_to_put(table: object = DATA, put: Put = lambda new: new) -> list[Put]:
    """Give a function for each value of the parsed spine that puts another value in its place."""
    ways = [put]
    if isinstance(table, dict):
        for key, value in table.items():
            ways += ways_to_put(value, lambda new, key=key: put(table | {key: new}))
    if isinstance(table, list):
        for at, value in enumerate(table):
            ways += ways_to_put(value, lambda new, at=at: put([*table[:at], new, *table[at + 1 :]]))
    return ways
