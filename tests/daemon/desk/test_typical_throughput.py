import pytest

from laneproof.desk.typical_throughput import Range, reach_of_array, reach_of_drive

GB = 1e9
GEN_4_X4 = 7.2 * GB  # payload
GEN_3_X1 = 0.9 * GB


def _is_within(value: float, found: Range) -> bool:
    return found[0] <= value <= found[1]


def test_drive_alone_reaches_what_drives_are_known_to_reach() -> None:
    # Common practice, no source: 5 to 7 GB/s at generation 4 x4, about 1 GB/s at generation 3 x1
    assert reach_of_drive("nvme", GEN_4_X4, None) == pytest.approx((5 * GB, 7 * GB), rel=0.02)
    boot = reach_of_drive("nvme", GEN_3_X1, None)
    assert boot is not None
    assert boot[1] == pytest.approx(1 * GB, rel=0.15)


def test_makers_own_rate_bounds_what_a_drive_reaches() -> None:
    assert reach_of_drive("nvme", GEN_4_X4, 3_000_000_000) == pytest.approx((2.1 * GB, 3 * GB))


@pytest.mark.parametrize(
    ("kind", "link"), [("sata", 0.6 * GB), ("network", GEN_4_X4), (None, GEN_4_X4), ("nvme", None)]
)
def test_of_other_devices_nothing_is_known(kind: str | None, link: float | None) -> None:
    assert reach_of_drive(kind, link, None) is None


@pytest.mark.parametrize(
    ("level", "read", "write", "reads", "writes"),
    # Common practice, no source: five drives of generation 4 x4, in sequence in GB/s and in operations of 4 KiB
    [("raid0", 13, 13, 1_500_000, 1_500_000), ("raid5", 4, 2.5, 350_000, 170_000)],
)
def test_five_drives_reach_what_such_boxes_are_known_to_reach(
    level: str, read: float, write: float, reads: int, writes: int
) -> None:
    found = reach_of_array(level, 5, 5 * GEN_4_X4, 4 * GEN_4_X4)
    assert found is not None
    assert _is_within(read * GB, found.read_bytes_per_second)
    assert _is_within(write * GB, found.write_bytes_per_second)
    assert (found.small_reads_per_second, found.small_writes_per_second) == (reads, writes)


def test_array_of_slow_members_reaches_no_more_than_they_give() -> None:
    found = reach_of_array("raid5", 3, 3 * GB, 2 * GB)
    assert found is not None
    assert found.read_bytes_per_second == pytest.approx((2.1 * GB, 2.91 * GB))
    assert found.write_bytes_per_second == pytest.approx((1.4 * GB, 1.94 * GB))
    assert found.small_reads_per_second == pytest.approx(210_000)


def test_of_other_levels_nothing_is_known() -> None:
    assert reach_of_array("raid6", 5, 5 * GEN_4_X4, 3 * GEN_4_X4) is None
