import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.declaration.raid_levels import LEVELS, Level, usable_bytes

TB = 10**12


@pytest.mark.parametrize(
    ("level", "sizes_tb", "usable_tb", "failures", "operations", "read_to_rebuild"),
    [
        # Capacity: the check values that shops and forums use (common practice, no source) and md(4).
        # Failures: md(4). Operations of a small write: "A Case for Redundant Arrays of Inexpensive Disks", SIGMOD 1988:
        # level 5 reads old data and old parity and writes both; "RAID: High-Performance, Reliable Secondary Storage",
        # ACM Computing Surveys 26 (1994) for level 6.
        ("raid0", [4, 4, 4], 12, 0, 1, 0),
        ("raid1", [4, 4], 4, 1, 2, 1),
        ("raid1", [4, 4, 4], 4, 2, 3, 1),
        ("raid4", [4, 4, 4], 8, 1, 4, 2),
        ("raid5", [4] * 5, 16, 1, 4, 4),
        ("raid5", [8] * 5, 32, 1, 4, 4),
        ("raid6", [4] * 4, 8, 2, 6, 3),
        ("raid6", [4] * 8, 24, 2, 6, 7),
        ("raid10", [4] * 4, 8, 1, 2, 1),
        ("raid10", [4] * 3, 6, 1, 2, 1),
        # mdadm(8), create: the array's size comes from the smallest device
        ("raid5", [4, 8, 8], 8, 1, 4, 2),
    ],
)
def test_level_gives_what_its_publications_say(
    level: str, sizes_tb: list[int], usable_tb: int, failures: int, operations: int, read_to_rebuild: int
) -> None:
    found, count = LEVELS[level], len(sizes_tb)
    assert usable_bytes(found, [size * TB for size in sizes_tb]) == usable_tb * TB
    assert found.tolerated_failures(count) == failures
    assert found.small_write_operations(count) == operations
    assert found.read_by_rebuild(count) == read_to_rebuild


def test_level_zero_uses_all_of_unequal_members() -> None:
    # Seen on a real kernel: members of 201 and 67 MB gave 264 MB, the rest is md's own; drivers/md/raid0.c, zones
    assert 264 <= usable_bytes(LEVELS["raid0"], [201, 67]) <= 201 + 67


@pytest.mark.parametrize(("word", "share"), [("raid0", 1), ("raid5", 7 / 8), ("raid6", 6 / 8), ("raid10", 1 / 2)])
def test_long_writes_have_the_published_share_of_the_members(word: str, share: float) -> None:
    # "RAID: High-Performance, Reliable Secondary Storage", table 3, large write, G = 8: 1, (G-1)/G, (G-2)/G; 1/2
    assert LEVELS[word].data_members(8) / 8 == share


@given(st.sampled_from(list(LEVELS.values())), st.integers(0, 60), st.integers(0, 10**15))
def test_what_is_survived_is_paid_for_in_capacity(level: Level, more: int, size_bytes: int) -> None:
    members = level.least_members + more
    assert 0 <= level.tolerated_failures(members) < members
    assert usable_bytes(level, [size_bytes] * members) <= (members - level.tolerated_failures(members)) * size_bytes
    assert usable_bytes(level, [size_bytes] * members) <= usable_bytes(level, [size_bytes] * (members + 1))
