import pytest

from laneproof.desk.arrays import ArrayBudget, budget_arrays
from laneproof.desk.links import budget_links
from laneproof.desk.notes import BudgetNotes
from simulated_box import declare

TB = 10**12


def _plan(text: str) -> tuple[ArrayBudget, BudgetNotes]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, _ = budget_links(build, notes)
    (array,) = budget_arrays(build, {one.label: one for one in links}, notes)
    return array, notes


def _array(level: str, sizes: list[str], occupant: str = "", rest: str = "") -> str:
    labels = [f"p{at}" for at in range(len(sizes))]
    text = f'{rest}\n[[array]]\nname = "md0"\nlevel = "{level}"\nmembers = {labels!r}\n'
    for at, size in enumerate(sizes):
        capacity = f', capacity = "{size}"' if size else ""
        text += (
            f'[[position]]\nlabel = "p{at}"\npath = "0000:00/{at + 1:02x}.0"\nlink = {{ generation = 4, lanes = 4 }}\n'
        )
        text += f'occupant = {{ kind = "nvme"{capacity}{occupant} }}\n'
    return text


@pytest.mark.parametrize(("size", "usable_tb"), [("4 TB", 16), ("8 TB", 32)])
def test_five_drives_at_level_five_hold_four(size: str, usable_tb: int) -> None:
    # Common practice, no source
    array, notes = _plan(_array("raid5", [size] * 5))
    assert array.usable_bytes == usable_tb * TB
    assert array.tolerated_failures == 1
    assert notes.problems == []


def test_each_member_counts_as_the_smallest() -> None:
    # mdadm(8), create: the array's size comes from the smallest device
    array, notes = _plan(_array("raid5", ["4 TB", "8 TB", "8 TB"]))
    assert array.usable_bytes == 8 * TB
    assert notes.remarks == ["md0: its members differ in size, and 8 TB of them stay unused"]


def test_sizes_within_one_percent_are_the_same() -> None:
    _, notes = _plan(_array("raid1", ["4 TB", "4000787030016 B"]))
    assert notes.remarks == []


def test_array_of_too_few_members_is_told() -> None:
    array, notes = _plan(_array("raid6", ["4 TB"] * 3))
    assert array.usable_bytes is None
    assert [one.says for one in notes.problems] == ["md0 has 3 members, and raid6 needs 4"]


def test_level_that_is_not_reckoned_is_remarked_on() -> None:
    array, notes = _plan(_array("raidz2", ["4 TB"] * 4))
    assert (array.level, array.usable_bytes, array.tolerated_failures) == ("raidz2", None, None)
    assert notes.remarks == ["md0 has the level 'raidz2', which is not reckoned here"]


def test_member_of_unknown_size_leaves_the_capacity_open_and_the_rest_known() -> None:
    array, notes = _plan(_array("raid5", ["4 TB", "", "4 TB"]))
    assert (array.usable_bytes, array.raw_bytes, array.rebuild) == (None, None, None)
    assert array.small_write_operations == 4
    assert len(notes.remarks) == 1


def test_member_meant_to_be_empty_is_told() -> None:
    text = _array("raid1", ["4 TB", "4 TB"]).replace('kind = "nvme"', 'kind = "none"', 1)
    _, notes = _plan(text)
    assert [one.what for one in notes.problems] == ["member-no-drive"]


def test_rates_are_those_of_the_members_links() -> None:
    # Chen et al. 1994, table 3: level 5 reads with all members, writes with all but one
    array, _ = _plan(_array("raid5", ["4 TB"] * 5))
    link = 16e9 * 128 / 130 / 8 * 4
    assert array.read_bytes_per_second == pytest.approx(5 * link * 256 / 280)
    assert array.write_bytes_per_second == pytest.approx(4 * link * 256 / 276)


def test_drive_slower_than_its_link_sets_the_rate() -> None:
    array, _ = _plan(
        _array("raid10", ["4 TB"] * 4, ', read = "3 GB/s", write = "1 GB/s", random_writes_per_second = 100000')
    )
    assert array.read_bytes_per_second == 12_000_000_000
    assert array.write_bytes_per_second == 2_000_000_000
    assert array.small_writes_per_second == 200_000


def test_small_writes_at_level_five_cost_four_operations() -> None:
    # Patterson, Gibson, Katz 1988, level 5: small writes run at (members) / 4
    array, _ = _plan(_array("raid5", ["4 TB"] * 4, ", random_writes_per_second = 100000"))
    assert array.small_writes_per_second == 100_000


def test_rebuild_runs_at_its_own_ceiling_or_at_what_the_member_writes() -> None:
    array, notes = _plan(_array("raid5", ["4 TB"] * 5))
    assert array.rebuild is not None
    assert array.rebuild.bytes_per_second == 204_800_000
    assert array.rebuild.survivors == 4
    assert {"rebuild_rate", "annual_failure_rate", "unreadable_per_bit"} <= {one.key for one in notes.assumptions}
    array, _ = _plan(_array("raid5", ["4 TB"] * 5, ', write = "100 MB/s"'))
    assert array.rebuild is not None
    assert array.rebuild.seconds == 40_000


def test_only_the_partner_matters_at_level_ten() -> None:
    array, _ = _plan(_array("raid10", ["4 TB"] * 8))
    assert array.rebuild is not None
    assert (array.rebuild.survivors, array.rebuild.spare_failures) == (1, 0)


def test_level_six_survives_what_loses_level_five() -> None:
    five, six = (_plan(_array(level, ["4 TB"] * 6))[0].rebuild for level in ("raid5", "raid6"))
    assert five is not None
    assert six is not None
    assert six.loss_probability < five.loss_probability
    assert (five.unreadable_loses_data, six.unreadable_loses_data) == (True, False)


def test_level_that_survives_nothing_has_no_rebuild() -> None:
    array, _ = _plan(_array("raid0", ["4 TB"] * 2))
    assert array.rebuild is None
    assert array.tolerated_failures == 0


def test_rebuild_at_no_rate_at_all_is_remarked_on() -> None:
    array, notes = _plan(_array("raid1", ["4 TB"] * 2, rest="[assume]\nrebuild_rate = 0\n"))
    assert array.rebuild is None
    assert any("no rebuild ends" in remark for remark in notes.remarks)
