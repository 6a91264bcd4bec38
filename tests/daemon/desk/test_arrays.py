import pytest

from boxes.snapshot_box import declare
from laneproof.desk.arrays import ArrayBudget, budget_arrays
from laneproof.desk.links import budget_links
from laneproof.desk.problems import BudgetNotes

TB = 10**12


def _budget(text: str) -> tuple[ArrayBudget, BudgetNotes]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, _ = budget_links(build, notes)
    (array,) = budget_arrays(build, {link.label: link for link in links}, notes)
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


@pytest.mark.parametrize(
    ("level", "usable_tb", "remark"),
    [
        ("raid5", 8, "md0: its members differ in size, and 8 TB of them stay unused"),
        # kernel drivers/md/raid0.c, create_strip_zones: the larger members make a second zone
        ("raid0", 20, "md0: its members differ in size, and its last 8 TB are on fewer of them"),
    ],
)
def test_members_that_differ_in_size_are_remarked_on(level: str, usable_tb: int, remark: str) -> None:
    array, notes = _budget(_array(level, ["4 TB", "8 TB", "8 TB"]))
    assert (array.usable_bytes, array.raw_bytes) == (usable_tb * TB, 20 * TB)
    assert notes.remarks == [remark]


def test_sizes_within_one_percent_are_the_same() -> None:
    _, notes = _budget(_array("raid1", ["4 TB", "4000787030016 B"]))
    assert notes.remarks == []


def test_array_of_too_few_members_is_reported() -> None:
    array, notes = _budget(_array("raid6", ["4 TB"] * 3))
    assert array.usable_bytes is None
    assert [problem.says for problem in notes.problems] == ["md0 has 3 members, and raid6 needs 4"]


def test_level_that_is_not_reckoned_is_remarked_on() -> None:
    array, notes = _budget(_array("raidz2", ["4 TB"] * 4))
    assert (array.level, array.usable_bytes, array.tolerated_failures) == ("raidz2", None, None)
    assert notes.remarks == ["md0 has the level 'raidz2', which is not reckoned here"]
    _, notes = _budget(_array("raid5", ["4 TB"] * 4).replace('level = "raid5"', ""))
    assert notes.remarks == ["md0 does not say its level"]


def test_member_of_unknown_size_leaves_the_capacity_open_and_the_rest_known() -> None:
    array, notes = _budget(_array("raid5", ["4 TB", "", "4 TB"]))
    assert (array.usable_bytes, array.raw_bytes, array.rebuild) == (None, None, None)
    assert array.small_write_operations == 4
    assert len(notes.remarks) == 1


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("none", "p0 is a member of md0, and is meant to be empty"),
        ("network", "p0 is a member of md0, and holds no drive (network)"),
        ("other", "p0 is a member of md0, and holds no drive (other)"),
    ],
)
def test_member_that_is_no_drive_is_a_problem(kind: str, says: str) -> None:
    _, notes = _budget(_array("raid1", ["4 TB", "4 TB"]).replace('kind = "nvme"', f'kind = "{kind}"', 1))
    assert [(problem.what, problem.says) for problem in notes.problems] == [("member-no-drive", says)]


def test_rates_are_those_of_the_members_links() -> None:
    # "RAID: High-Performance, Reliable Secondary Storage", 1994, table 3: level 5 reads with all members, writes with
    # all but one
    array, _ = _budget(_array("raid5", ["4 TB"] * 5))
    link = 16e9 * 128 / 130 / 8 * 4
    assert array.read_bytes_per_second == pytest.approx(5 * link * 256 / 280)
    assert array.write_bytes_per_second == pytest.approx(4 * link * 256 / 276)


def test_drive_slower_than_its_link_sets_the_rate() -> None:
    array, _ = _budget(
        _array("raid10", ["4 TB"] * 4, ', read = "3 GB/s", write = "1 GB/s", random_writes_per_second = 100000')
    )
    assert array.read_bytes_per_second == 12_000_000_000
    assert array.write_bytes_per_second == 2_000_000_000
    assert array.small_writes_per_second == 200_000


def test_small_writes_at_level_five_cost_four_operations() -> None:
    # "A Case for Redundant Arrays of Inexpensive Disks", 1988, level 5: small writes run at (members) / 4
    text = _array("raid5", ["4 TB"] * 6, ", random_writes_per_second = 100000")
    array, _ = _budget(text)
    assert array.small_writes_per_second == 150_000
    # the slowest sets the pace, and one that does not say leaves it open
    array, _ = _budget(text.replace("100000", "50000", 1))
    assert array.small_writes_per_second == 75_000
    array, _ = _budget(text.replace(", random_writes_per_second = 100000", "", 1))
    assert array.small_writes_per_second is None


def test_rebuild_runs_at_its_own_ceiling_or_at_what_the_member_writes() -> None:
    array, notes = _budget(_array("raid5", ["4 TB"] * 5))
    assert array.rebuild is not None
    assert array.rebuild.bytes_per_second == 204_800_000
    assert array.rebuild.survivors == 4
    assert {"rebuild_rate", "annual_failure_rate", "unreadable_per_bit"} <= {
        assumption.key for assumption in notes.assumptions
    }
    array, _ = _budget(_array("raid5", ["4 TB"] * 5, ', write = "100 MB/s"'))
    assert array.rebuild is not None
    assert array.rebuild.seconds == 40_000


@pytest.mark.parametrize(("members", "partners"), [(8, 1), (2, 1), (5, 2)])
def test_only_those_with_the_other_copies_matter_at_level_ten(members: int, partners: int) -> None:
    # md(4), near layout: of an odd number each drive shares its blocks with both of its neighbours
    array, _ = _budget(_array("raid10", ["4 TB"] * members))
    assert array.rebuild is not None
    assert (array.rebuild.survivors, array.rebuild.spare_failures) == (partners, 0)


def test_level_six_survives_what_loses_level_five() -> None:
    five, six = (_budget(_array(level, ["4 TB"] * 6))[0].rebuild for level in ("raid5", "raid6"))
    assert five is not None
    assert six is not None
    assert (five.spare_failures, six.spare_failures) == (0, 1)
    assert six.loss_probability < five.loss_probability
    assert (five.unreadable_loses_data, six.unreadable_loses_data) == (True, False)


def test_level_that_survives_nothing_has_no_rebuild() -> None:
    array, _ = _budget(_array("raid0", ["4 TB"] * 2))
    assert array.rebuild is None


def test_rebuild_at_no_rate_at_all_is_remarked_on() -> None:
    array, notes = _budget(_array("raid1", ["4 TB"] * 2, rest="[assume]\nrebuild_rate = 0\n"))
    assert array.rebuild is None
    assert any("no rebuild ends" in remark for remark in notes.remarks)
