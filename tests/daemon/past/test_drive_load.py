"""Load in windows, what counts as loaded or idle, and how slow a drive is against its siblings."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import make_controller, make_health
from laneproof.past.drive_load import IDLE, LOADED, WORKING, LoadRecord, Window, compare_siblings
from laneproof_collectors.snapshot import BlockStatistics, NvmeController, NvmeNamespace
from laneproof_collectors.unread import Unread
from support.unread_answers import known

MB = 1_000_000


def drive(
    *, moved: int | None = None, units: int = 0, written: int = 0, operations: int = 0, took: int = 0, busy: int = 0
) -> NvmeController:
    """A drive that moved so many bytes by its disk's statistics, or so many data units by its health log."""
    statistics = None
    if moved is not None:
        statistics = BlockStatistics(
            reads=operations - operations // 3, read_bytes=moved - written, read_milliseconds=took - took // 3,
            writes=operations // 3, written_bytes=written, write_milliseconds=took // 3, busy_milliseconds=busy,
        )  # fmt: skip
    made = make_controller(0, model="Fulmar N4", serial="FN1", size_bytes=1 << 42, firmware="2.1")
    space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, statistics=statistics)
    return replace(made, namespaces=(space,), health=make_health(data_units_read=units, data_units_written=0))


def test_a_window_lies_between_two_readings() -> None:
    record = LoadRecord()
    assert record.read(drive(moved=0), now=100.0, boot=1) == (None, False)
    window, fell = record.read(drive(moved=600 * MB, operations=600, took=300, busy=120), now=160.0, boot=1)
    assert not fell
    assert window == record.last
    assert window is not None
    assert window.bytes_per_second == 10 * MB
    assert window.latency == pytest.approx(0.5)
    assert window.work_milliseconds == pytest.approx(0.2)


@pytest.mark.parametrize(("operations", "latency"), [(49, None), (50, 2.0)])
def test_a_mean_latency_of_few_operations_says_nothing(operations: int, latency: float | None) -> None:
    record = LoadRecord()
    record.read(drive(moved=0), now=100.0, boot=1)
    window, _ = record.read(drive(moved=MB, operations=operations, took=2 * operations), now=160.0, boot=1)
    assert window is not None
    assert window.latency == latency


def test_without_disk_statistics_the_health_log_gives_the_load() -> None:
    record = LoadRecord()
    record.read(drive(units=1000), now=0.0, boot=1)
    window, _ = record.read(drive(units=2000), now=512.0, boot=1)
    assert window is not None
    assert window.bytes_per_second == MB  # 1000 units of 512,000 bytes (NVMe Base 2.0, Data Units Read)
    assert window.latency is None


def test_the_health_log_goes_on_over_a_boot_and_disk_statistics_do_not() -> None:
    by_log, by_disk = LoadRecord(), LoadRecord()
    by_log.read(drive(units=1000), now=0.0, boot=1)
    by_disk.read(drive(moved=1000), now=0.0, boot=1)
    assert by_log.read(drive(units=1500), now=60.0, boot=2)[0] is not None
    assert by_disk.read(drive(moved=1500), now=60.0, boot=2) == (None, False)


def test_disk_statistics_that_fall_within_a_boot_began_again() -> None:
    record = LoadRecord()
    record.read(drive(moved=1000), now=0.0, boot=1)
    assert record.read(drive(moved=10), now=60.0, boot=1) == (None, True)


def test_a_drive_that_gives_nothing_has_no_load() -> None:
    silent = replace(drive(moved=None), health=Unread("log 02h of nvme0", "refused"), namespaces=())
    assert LoadRecord().read(silent, now=0.0, boot=1) == (None, False)


def fed(*rates: float) -> LoadRecord:
    """Windows of a minute with these loads, in bytes a second."""
    record, moved = LoadRecord(), 0
    record.read(drive(moved=0), now=0.0, boot=1)
    for number, rate in enumerate(rates, start=1):
        moved += int(rate * 60)
        record.read(drive(moved=moved), now=60.0 * number, boot=1)
    return record


@pytest.mark.parametrize(
    ("rate", "state"), [(0.0, IDLE), (0.9 * MB, IDLE), (1.1 * MB, WORKING), (240 * MB, WORKING), (260 * MB, LOADED)]
)
def test_what_is_loaded_is_measured_by_the_most_that_the_drive_moved(rate: float, state: str) -> None:
    record = fed(1000 * MB, rate)
    assert record.last is not None
    assert record.state_of(record.last) == state


def test_what_a_drive_could_once_move_fades_by_a_hundredth_a_day() -> None:
    record = with_windows((60.0, 1000.0), (100 * 86400.0, 0.0))
    assert record.peak == pytest.approx(1000 * MB * 0.99**100)


def test_the_share_of_time_in_each_state_adds_up() -> None:
    record = fed(1000 * MB, 0, 0, 50 * MB)
    assert sum(record.share(state) or 0.0 for state in (IDLE, WORKING, LOADED)) == pytest.approx(1.0)
    assert record.share(IDLE) == 0.5
    assert LoadRecord().share(IDLE) is None


def test_what_was_written_since_the_last_rest_adds_up() -> None:
    record, counted = LoadRecord(), []
    for minute, megabytes in enumerate((0, 6000, 9000, 9000, 10_000)):
        record.read(drive(moved=megabytes * MB, written=megabytes * MB), now=60.0 * minute, boot=1)
        counted.append(record.since_idle_bytes / MB)
    assert counted == [0, 6000, 9000, 0, 1000]


@pytest.mark.parametrize(("rate", "state"), [(4.9 * MB, WORKING), (5.1 * MB, LOADED)])
def test_a_hardly_used_drive_is_never_called_loaded(rate: float, state: str) -> None:
    record = fed(rate, rate)
    assert record.last is not None
    assert record.state_of(record.last) == state


def compared(
    windows: range,
    latencies: dict[str, float],
    *,
    records: dict[str, LoadRecord] | None = None,
    moved: dict[str, int] | None = None,
    models: dict[str, str | None] | None = None,
    busy: dict[str, float] | None = None,
    resting: str = "",
) -> dict[str, LoadRecord]:
    """Windows of five minutes with these milliseconds for each operation, the first one begins at 0."""
    records = records or {name: LoadRecord() for name in latencies}
    for number in windows:
        compare_siblings(
            {
                name: (record, Window(
                    began=300.0 * number, seconds=300.0, moved_bytes=(moved or {}).get(name, MB),
                    written_bytes=0, operations=1000, milliseconds=round(1000 * latencies[name]),
                    busy_milliseconds=round(1000 * busy[name]) if busy else None,
                ))
                for name, record in records.items()
            },
            models,
            resting=resting,
        )  # fmt: skip
    return records


SLOW = {"a": 0.5, "b": 0.2, "c": 0.2, "d": 0.2}


def test_a_drive_that_takes_twice_as_long_for_minutes_has_a_slow_spell() -> None:
    records = compared(range(6), SLOW)
    (spell,) = records["a"].spells
    assert (spell[0], spell[1]) == (0.0, 1800.0)
    assert spell[2] == pytest.approx(2.5)
    assert records["b"].spells == []
    assert sum(len(day.slow_hours) for day in records["a"].slow_days) == 1
    over_midnight = compared(range(284, 292), SLOW)["a"].slow_days
    assert [(day.day, day.hours) for day in over_midnight] == [(0, [23]), (1, [0])]


@pytest.mark.parametrize(
    ("latencies", "moved"),
    [
        # as many operations a second, of 1 MiB against 16 KiB each: common practice, no source
        ({"a": 0.9, "b": 0.2, "c": 0.2, "d": 0.2}, {"a": 1000 << 20} | dict.fromkeys("bcd", 1000 << 14)),
        ({"a": 5.0, "b": 0.2, "c": 0.2}, {}),  # fewer than three siblings are no company
    ],
)
def test_without_siblings_at_the_same_work_a_drive_is_not_compared(
    latencies: dict[str, float], moved: dict[str, int]
) -> None:
    slow = compared(range(6), latencies, moved=moved)["a"]
    assert (slow.comparable, slow.spells) == ([], [])


# Linux Documentation/admin-guide/iostats.rst: field 4 adds up what each request took, field 10 when any was under way
@pytest.mark.parametrize(("busy", "spells"), [(0.2, 0), (0.6, 1), (8.0, 1)])
def test_a_drive_that_is_asked_for_many_blocks_at_a_time_is_slow_only_if_it_is_busy_for_longer(
    busy: float, spells: int
) -> None:
    latencies = {"a": 8.0, "b": 0.2, "c": 0.2, "d": 0.2}
    records = compared(range(6), latencies, busy=dict.fromkeys("bcd", 0.2) | {"a": busy})
    assert len(records["a"].spells) == spells


# Linux drivers/nvme/host/core.c, apst_primary_ and apst_secondary_: after 100 ms a state that takes 15 ms to leave,
# after 2 s one that takes 100 ms. Here 1000 operations in five minutes, so that each may come out of the first.
@pytest.mark.parametrize(
    ("latency", "resting", "spells"), [(15.0, "a", 0), (38.0, "ab", 0), (15.0, "bcd", 1), (95.0, "a", 1), (0.2, "a", 0)]
)
def test_a_drive_that_takes_its_time_to_wake_is_not_slow(latency: float, resting: str, spells: int) -> None:
    assert len(compared(range(6), SLOW | {"a": latency}, resting=resting)["a"].spells) == spells


def test_spells_that_go_on_are_one() -> None:
    slow = compared(range(200), SLOW)["a"]
    assert len(slow.spells) == 1
    assert len(slow.comparable) == 40
    records = compared(range(6), SLOW)
    compared(range(6, 30), SLOW | {"a": 0.2}, records=records)
    compared(range(30, 36), SLOW, records=records)
    assert [spell[:2] for spell in records["a"].spells] == [(0.0, 1800.0), (9000.0, 10_800.0)]


MAKES: dict[str, str | None] = {"a": "Gannet", "b": "Fulmar", "c": "Fulmar", "d": "Fulmar"}


def test_a_make_that_is_slower_by_nature_is_slow_only_once_it_is_slower_than_it_was() -> None:
    assert compared(range(12, 13), SLOW | {"a": 0.6}, models=MAKES)["a"].usual_ratio == pytest.approx(3.0)
    records = compared(range(300), SLOW | {"a": 0.6}, models=MAKES)  # 24 hours and more
    assert records["a"].spells == []
    assert records["a"].usual_ratio == pytest.approx(3.0, rel=0.05)
    usual = known(records["a"].usual_ratio)
    compared(range(300, 324), SLOW | {"a": 0.8}, models=MAKES, records=records)
    assert records["a"].usual_ratio == pytest.approx(usual * 1.02**2)  # a small step in each hour
    compared(range(324, 336), SLOW | {"a": 1.0}, models=MAKES, records=records)
    compared(range(336, 500), SLOW | {"a": 1.5}, models=MAKES, records=records)
    assert records["a"].usual_ratio == pytest.approx(usual * 1.02**2)  # and none while it is slower than usual
    (spell,) = records["a"].spells
    assert spell[2] == pytest.approx(2.5, rel=0.1)


def test_one_night_of_work_does_not_say_how_makes_compare_by_day() -> None:
    night = compared(range(100), SLOW | {"a": 0.2}, models=MAKES)
    assert compared(range(100, 200), SLOW | {"a": 0.6}, models=MAKES, records=night)["a"].spells == []


def test_windows_are_sorted_by_heat_and_by_what_was_written_before() -> None:
    record = LoadRecord()
    for slow in (False, False, False, True):
        window = Window(
            began=0.0,
            seconds=60.0,
            moved_bytes=MB,
            written_bytes=MB,
            operations=1000,
            milliseconds=5000 if slow else 200,
        )
        record.sort_by_heat(window, hot=slow)
    assert record.fresh == (1, 0, 0, 3)
    assert record.usual_latency == pytest.approx(0.2 * 0.98 * 1.02**3)  # a small step towards each reading
    record.since_idle_bytes = 30e9
    record.sort_by_heat(window, hot=False)
    assert record.full == (0, 0, 1, 0)
    record.fresh, record.since_idle_bytes = (2001, 10, 1980, 9), 0.0
    record.sort_by_heat(window, hot=True)  # the old counts for half once there are thousands
    assert record.fresh == (1001, 5, 990, 4)
    record.sort_by_heat(window, hot=None)
    assert record.fresh == (1001, 5, 990, 4)


def with_windows(*windows: tuple[float, float]) -> LoadRecord:
    """Windows of so many seconds with these loads in MB/s, one after another; the first begins at 0."""
    record, moved, now = LoadRecord(), 0, 0.0
    record.read(drive(moved=0), now=now, boot=1)
    for seconds, rate in windows:
        moved, now = moved + int(rate * MB * seconds), now + seconds
        record.read(drive(moved=moved), now=now, boot=1)
    return record


@pytest.mark.parametrize(
    ("windows", "moment", "begins", "state"),
    [
        # under load for ten minutes, then half a minute of nothing until the log's first line at 630 s
        ([(60.0, 900.0)] * 10 + [(15.0, 0.0)] * 2, 630.0, 480.0, LOADED),
        ([(60.0, 900.0), *[(20.0, 0.0)] * 6], 180.0, 60.0, IDLE),  # what is too short is joined to a minute
        ([(20.0, 900.0), (20.0, 0.0), (60.0, 0.0)], 95.0, None, None),  # less than one before it may have hung
        ([(3600.0, 0.0), (3600.0, 900.0)], 7220.0, 3600.0, LOADED),  # of an hour the hang at its end is a small part
        ([(60.0, 900.0)] * 5 + [(1.0, 0.0)] * 120, 360.0, 240.0, LOADED),  # passes seconds apart push nothing out
        ([(60.0, 900.0)] * 5 + [(1.0, 0.0)] * 120, 420.0, 300.0, IDLE),
    ],
)
def test_the_load_before_a_moment_is_that_of_a_minute_before_the_drive_may_have_hung(
    windows: list[tuple[float, float]], moment: float, begins: float | None, state: str | None
) -> None:
    record = with_windows(*windows)
    before = record.before(moment)
    assert (before and before.began, before and record.state_of(before)) == (begins, state)


def test_windows_apart_from_each_other_are_not_joined() -> None:
    record = with_windows((40.0, 900.0))
    record.counters = None  # its figures could not be read for a while
    for number in range(3):
        record.read(drive(moved=36_000 * MB), now=1000.0 + 40.0 * number, boot=1)
    assert record.before(1080.0 + 10.0) is None


def test_the_window_that_holds_a_moment() -> None:
    record = with_windows((60.0, 900.0), (60.0, 0.0))
    during = known(record.during(60.0))
    assert during.began == 60.0
    assert record.during(120.0) is None
