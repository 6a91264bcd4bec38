import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.desk.raid import LEVELS, Level, find_level, usable_bytes

TB = 10**12


@pytest.mark.parametrize(
    ("word", "members", "size_tb", "usable_tb"),
    [
        # The check values that shops and forums use; common practice, no source
        ("raid5", 5, 4, 16),
        ("raid5", 5, 8, 32),
        # md(4): level 0 adds up, 1 mirrors, 6 loses two members, 10 keeps two copies
        ("raid0", 3, 4, 12),
        ("raid1", 2, 4, 4),
        ("raid1", 3, 4, 4),
        ("raid5", 3, 1, 2),
        ("raid6", 4, 4, 8),
        ("raid6", 8, 4, 24),
        ("raid10", 4, 4, 8),
        ("raid10", 3, 4, 6),
    ],
)
def test_array_holds_what_the_trade_says(word: str, members: int, size_tb: int, usable_tb: int) -> None:
    assert usable_bytes(LEVELS[word], members, size_tb * TB) == usable_tb * TB


@pytest.mark.parametrize(
    ("word", "operations"), [("raid0", 1), ("raid1", 2), ("raid5", 4), ("raid6", 6), ("raid10", 2)]
)
def test_small_write_costs_what_the_trade_says(word: str, operations: int) -> None:
    # Patterson, Gibson, Katz 1988: level 5 reads old data and old parity and writes both; Chen et al. 1994 for level 6
    members = 2 if word == "raid1" else 8
    assert LEVELS[word].small_write_operations(members) == operations


@pytest.mark.parametrize(("word", "failures"), [("raid0", 0), ("raid1", 1), ("raid5", 1), ("raid6", 2), ("raid10", 1)])
def test_array_survives_what_its_level_promises(word: str, failures: int) -> None:
    assert LEVELS[word].tolerated_failures(2 if word == "raid1" else 6) == failures


@pytest.mark.parametrize(("word", "share"), [("raid0", 1), ("raid5", 7 / 8), ("raid6", 6 / 8), ("raid10", 1 / 2)])
def test_long_writes_have_the_share_of_the_members_that_chen_and_others_give(word: str, share: float) -> None:
    # Chen, Lee, Gibson, Katz, Patterson 1994, table 3, large write, G = 8 members: 1, (G-1)/G, (G-2)/G; 1/2 for mirrors
    assert LEVELS[word].large_write_members(8) / 8 == share


@pytest.mark.parametrize(
    ("word", "name"), [("raid5", "raid5"), ("RAID 5", "raid5"), ("5", "raid5"), (" Raid-10 ", "raid10")]
)
def test_level_is_found_as_people_write_it(word: str, name: str) -> None:
    level = find_level(word)
    assert level is not None
    assert level.name == name


@pytest.mark.parametrize("word", ["", "raid", "raid7", "raidz1", "linear", "single"])
def test_level_that_is_not_reckoned_is_none(word: str) -> None:
    assert find_level(word) is None


@given(st.sampled_from(list(LEVELS.values())), st.integers(0, 60), st.integers(0, 10**15))
def test_capacity_is_never_above_raw_and_never_falls_with_a_member(level: Level, more: int, size_bytes: int) -> None:
    members = level.least_members + more
    held = usable_bytes(level, members, size_bytes)
    assert 0 <= held <= members * size_bytes
    assert held <= usable_bytes(level, members + 1, size_bytes)
    assert held <= usable_bytes(level, members, size_bytes + 1)


@given(st.sampled_from(list(LEVELS.values())), st.integers(0, 60))
def test_what_is_survived_is_paid_for_in_capacity(level: Level, more: int) -> None:
    members = level.least_members + more
    assert level.data_members(members) <= members - level.tolerated_failures(members)
    assert 0 <= level.tolerated_failures(members) < members
    assert level.large_write_members(members) <= members
    assert level.small_write_operations(members) >= 1
