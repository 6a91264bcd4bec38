"""Drives' own accounts: counters that move, wear and spare, heat by the hour, identity, and where each drive is."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story
from boxes.snapshot_box import Box, make_health
from laneproof.past.drives import DriveRecord, SeenHeat
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.unread import Unread
from support.unread_answers import known

PATH = PATHS[0]


def box(*, serial: str = "FN1", **health: Any) -> Box:
    return Box().with_port(PATH).with_drive(PATH, serial=serial, health=dict(health))


def record(story: Story, serial: str = "FN1") -> DriveRecord:
    return story.ledger.drives.records[serial]


@pytest.mark.parametrize(
    ("counter", "counts", "rises"),  # counts an hour apart, None where the machine was started again
    [
        ("media_errors", (31, 31), []),
        ("media_errors", (31, 31, 33), [(2, True, 0)]),
        ("unsafe_shutdowns", (3, None, 4), [(1, False, 1)]),
        ("media_errors", (5, 9, 0), []),  # it fell, and begins again
        ("media_errors", (5, 9, 0, 1), [(1, True, 0)]),
        ("error_log_entries", (0, 400), []),  # programs that ask for what a drive does not support raise it
    ],
)
def test_a_counter_that_moves_is_kept_with_its_time(
    counter: str, counts: tuple[int | None, ...], rises: list[tuple[int, bool, int]]
) -> None:
    story = Story()
    for count in counts:
        if count is None:
            story.restart()
        else:
            story.observe(box(**dict[str, Any]({counter: count})), after=HOUR)
    found = record(story).risen(counter)
    assert [(rise.at, rise.by, rise.same_boot, rise.boots) for rise in found] == [(story.now, *rise) for rise in rises]


def test_a_count_before_a_moment_is_the_count_less_what_it_rose_since() -> None:
    story = Story().observe(box(unsafe_shutdowns=3)).observe(box(unsafe_shutdowns=4), after=HOUR)
    story.observe(box(unsafe_shutdowns=6), after=HOUR)
    kept, times = record(story), [story.now - ago for ago in (0.0, HOUR, 2 * HOUR, 3 * HOUR)]
    assert [kept.count_before("unsafe_shutdowns", at) for at in times] == [6, 4, 3, None]
    assert [kept.grown_since("unsafe_shutdowns", at) for at in times] == [0, 2, 3, None]


def test_a_temperature_before_a_moment_is_the_last_one_read_by_then() -> None:
    story = Story()
    for celsius in (40.0, 50.0, 79.0):
        story.observe(box(composite_temperature_celsius=celsius), after=HOUR)
    found = [record(story).reading_before(story.now - ago) for ago in (0.0, 60.0, 2 * HOUR, 3 * HOUR)]
    assert [None if reading is None else (reading.celsius, reading.hot) for reading in found] == [
        (79.0, True), (50.0, False), (40.0, False), None
    ]  # fmt: skip


def test_a_sata_drives_temperature_is_kept_as_an_nvme_drives() -> None:
    sata = Box().with_sata_drive("0000:00/17.0/ata-1", serial="GS1", temperature_celsius=41)
    kept = record(Story().observe(sata), "GS1")
    assert (kept.celsius, [row.highest_celsius for row in kept.heat]) == (41.0, [41.0])


def test_readings_seconds_apart_are_not_all_kept() -> None:
    story = Story()
    for _ in range(300):
        story.observe(box(composite_temperature_celsius=40.0), after=1.0)
    times = [reading.at for reading in record(story).readings]
    assert len(times) <= 30
    assert times[-1] - times[0] >= 200.0


def test_what_a_source_does_not_give_is_not_kept() -> None:
    log = make_health(media_errors=0, absent=("media_errors", "available_spare_percent"))
    story = Story().observe(Box().with_port(PATH).with_drive(PATH, serial="FN1", controller={"health": log}))
    assert "media_errors" not in record(story).counters
    assert record(story).spare.rows == []


def test_what_a_health_log_says_of_wear_and_heat_is_kept() -> None:
    story = Story()
    for written, spare, warning in ((800, 100, 0), (900, 98, 2), (950, 98, 1)):
        story.observe(
            box(data_units_written=written, available_spare_percent=spare, critical_warning=warning), after=HOUR
        )
    kept, begun = record(story), story.now - 2 * HOUR
    assert (kept.written_since, kept.written, kept.hours) == ((begun, 800), 950, make_health().power_on_hours)
    assert [(at, value) for at, _, value in kept.spare.rows] == [(begun, 100), (begun + HOUR, 98)]
    assert kept.spare_threshold == make_health().available_spare_threshold_percent
    assert kept.temperature_warned_at == begun + HOUR  # bit 1: NVM Express Base Specification 2.0, 5.16.1.3
    story.observe(box(data_units_written=7), after=HOUR)  # it fell, and begins again
    assert (kept.written_since, kept.written) == ((story.now, 7), 7)


@pytest.mark.parametrize(
    ("celsius", "facts", "warning", "is_above", "is_hot"),
    [
        (79.0, {"maximum_celsius": 80.0}, 80.0, False, True),
        (80.0, {"maximum_celsius": 80.0}, 80.0, True, True),
        (60.0, {"maximum_celsius": 80.0}, 80.0, False, False),
        (60.0, {"maximum_celsius": -273.15}, None, False, None),  # a threshold that nobody set reads 0 K
        (60.0, {"maximum_celsius": 65_261.85}, None, False, None),
        (30.0, {"maximum_celsius": 80.0, "alarm": True}, 80.0, True, True),
        (29.0, {"maximum_celsius": 80.0, "alarm": True}, 80.0, False, False),  # an alarm of cold
        (83.0, {"maximum_celsius": 90.0, "critical_celsius": 82.0}, 90.0, False, False),
    ],
)
def test_the_kernels_thermometer_stands_in_for_a_log_that_is_denied(
    celsius: float, facts: dict[str, Any], warning: float | None, *, is_above: bool, is_hot: bool | None
) -> None:
    reading = TemperatureReading(label="Composite", celsius=celsius, **facts)
    denied = {"health": Unread("log 02h", "denied"), "identity": Unread("identify", "denied")}
    hot = Box().with_port(PATH).with_drive(PATH, serial="FN1", controller={**denied, "temperatures": (reading,)})
    story = Story().observe(hot)
    kept = record(story)
    assert (kept.warning_celsius, kept.is_above(), kept.is_hot()) == (warning, is_above, is_hot)
    (row,) = kept.heat
    is_critical = celsius >= facts.get("critical_celsius", 1000.0)
    assert (row.seen_above, row.seen_critical) == (is_above or is_critical, is_critical)
    story.observe(Box().with_port(PATH).with_drive(PATH, serial="FN1", controller=denied), after=60.0)
    assert not record(story).warns  # the alarm of a thermometer that does not answer is over


def test_wear_is_kept_only_where_it_changes_and_the_first_figure_stays() -> None:
    story = Story()
    for day in range(300):
        story.observe(box(percentage_used=day, power_on_hours=24 * day), after=DAY)
    rows = record(story).wear.rows
    assert len(rows) == 200
    assert rows[0][2] == 0
    assert rows[-1][2] == 299


def test_heat_is_kept_by_the_hour_for_a_week() -> None:
    story = Story()
    for _ in range(24 * 9):
        story.observe(box(composite_temperature_celsius=40.0), after=HOUR)
    assert len(record(story).heat) == 7 * 24
    assert {row.mean_celsius for row in record(story).heat} == {40.0}


@pytest.mark.parametrize(
    ("celsius", "warning", "critical", "hot"),
    [
        (74.0, 80.0, None, False), (75.0, 80.0, None, True), (90.0, None, None, None),
        (79.0, None, 85.0, False), (81.0, None, 85.0, True),  # without a warning threshold: the critical one
    ],
)  # fmt: skip
def test_hot_is_near_the_drives_own_threshold(
    celsius: float, warning: float | None, critical: float | None, *, hot: bool | None
) -> None:
    kept = DriveRecord(serial="x", celsius=celsius, warning_celsius=warning, critical_celsius=critical)
    assert kept.is_hot() is hot


def test_seen_heat_is_of_the_thermometer_alone_and_of_the_hours_looked_at() -> None:
    reading = TemperatureReading(label="Composite", celsius=81.0, maximum_celsius=80.0, critical_celsius=85.0)
    denied = {"health": Unread("log 02h", "denied"), "identity": Unread("identify", "denied")}
    hot = Box().with_port(PATH).with_drive(PATH, serial="FN1", controller={**denied, "temperatures": (reading,)})
    story = Story()
    for number in range(24):
        story.observe(hot if number == 5 else box(composite_temperature_celsius=81.0), after=HOUR)
    assert record(story).seen_heat(0.0) == SeenHeat(minutes=60, days=1, critical=0, hours=24)
    assert record(story).is_hot()
    lately = record(story).seen_heat(story.now - 12 * HOUR)
    assert (lately.minutes, lately.hours) == (0, 13)


def test_a_drive_takes_its_history_along() -> None:
    story = Story().observe(box(media_errors=0)).observe(box(media_errors=2), after=HOUR)
    moved = Box().with_port(PATHS[1]).with_drive(PATHS[1], serial="FN1", health={"media_errors": 2})
    story.restart().observe(moved, after=HOUR)
    assert record(story).path == PATHS[1]
    assert [path for _, path in record(story).paths] == [PATH, PATHS[1]]
    assert len(record(story).risen("media_errors")) == 1
    assert story.ledger.drives.at(PATHS[1]) is record(story)


def test_an_identity_that_changes_is_doubtful() -> None:
    story = Story().observe(Box().with_port(PATH).with_drive(PATH, serial="FN1", capacity="2 TB"))
    story.observe(Box().with_port(PATH).with_drive(PATH, serial="FN1", capacity="4 TB"), after=DAY)
    ((_, what),) = record(story).doubts
    assert what == "its capacity was 2000000000000 and is 4000000000000"
    unread = {"model": Unread("model", "no answer in time")}
    story.observe(Box().with_port(PATH).with_drive(PATH, serial="FN1", capacity="4 TB", controller=unread), after=DAY)
    assert len(record(story).doubts) == 1  # what could not be read is no other identity


def test_a_drive_without_a_serial_number_is_known_by_its_position() -> None:
    story = Story().observe(
        Box()
        .with_port(PATH)
        .with_drive(PATH, controller={"serial": Unread("serial", "gone"), "identity": Unread("i", "x")})
    )
    (only,) = story.ledger.drives.records.values()
    assert only.serial == f"{PATH}/00.0"


def test_a_serial_number_is_taken_without_its_padding() -> None:
    assert set(Story().observe(box(serial="FN1    ")).ledger.drives.records) == {"FN1"}


def silent() -> Box:
    """A box whose drive is still listed, reads as all ones, and has no controller any more."""
    gone = Box().with_port(PATH).with_drive(PATH, serial="FN1").with_group(controllers=())
    return gone.edit(f"{PATH}/00.0", lambda function: replace(function, answers=False))


def test_a_drive_that_stops_answering_is_the_drive_that_was_there() -> None:
    story = Story().observe(box(media_errors=3)).observe(silent(), after=HOUR)
    assert set(story.ledger.drives.records) == {"FN1"}
    assert story.ledger.drives.at(PATH) is record(story)
    assert (record(story).name, record(story).last_at) == ("nvme0", story.now)
    assert set(story.ledger.links.records) == {f"{PATH}|FN1"}
    for days, records in ((29, {"FN1"}), (31, {"FN1", f"{PATH}/00.0"})):  # a month later nobody knows what is there
        assert set(Story().observe(box()).observe(silent(), after=days * DAY).ledger.drives.records) == records


def test_what_a_drive_that_does_not_answer_seems_to_count_is_not_read() -> None:
    stale = box(media_errors=9).edit(f"{PATH}/00.0", lambda function: replace(function, answers=False))
    story = Story().observe(box(media_errors=3)).observe(stale, after=HOUR)
    assert record(story).counters["media_errors"] == 3


def test_a_silent_device_that_nobody_ever_knew_stands_under_its_position() -> None:
    story = Story().observe(silent())
    assert all("/" in serial for serial in story.ledger.drives.records)


def test_another_drive_that_gives_its_name_takes_the_position() -> None:
    story = Story().observe(box()).observe(silent(), after=HOUR).observe(box(serial="FN2"), after=HOUR)
    at = known(story.ledger.drives.at(PATH))
    assert at.serial == "FN2"


def twins(first_errors: int, second_errors: int) -> Box:
    made = Box()
    for path, errors in ((PATH, first_errors), (PATHS[1], second_errors)):
        made.with_port(path).with_drive(path, serial="0123456789ABCDEF", health={"media_errors": errors})
    return made


def test_drives_that_share_a_serial_number_are_two_each_known_by_its_position() -> None:
    story = Story().observe(twins(0, 2)).observe(twins(0, 3), after=HOUR)
    by_path = {record.path: record for record in story.ledger.drives.records.values()}
    assert [rise.by for rise in by_path[PATHS[1]].risen("media_errors")] == [1]
    assert by_path[PATH].risen("media_errors") == []
    assert story.ledger.changes.changes == []
    assert story.ledger.shared_serials == {"0123456789ABCDEF"}
    story.observe(box(serial="0123456789ABCDEF"), after=29 * DAY)
    assert story.ledger.shared_serials
    story.observe(box(serial="0123456789ABCDEF"), after=2 * DAY)
    assert not story.ledger.shared_serials  # they were not both here for a month


@pytest.mark.parametrize("counter", ["warning_temperature_minutes", "critical_temperature_minutes"])
def test_no_drive_was_hot_for_longer_than_time_went_by(counter: str) -> None:
    """Both count minutes. Source: NVM Express Base Specification 2.0, 5.16.1.3."""

    def hot(minutes: int) -> Box:
        counters: dict[str, Any] = {counter: minutes}
        return box(**counters)

    story = Story().observe(hot(3)).observe(hot(63), after=HOUR)
    assert [rise.by for rise in record(story).risen(counter)] == [60]
    story.observe(hot(4_294_967_295), after=7 * DAY).observe(hot(4_294_967_295), after=HOUR)
    assert [rise.by for rise in record(story).risen(counter)] == [60]


def of_firmware(firmware: str, media_errors: int) -> Box:
    """Make a drive whose other counts leap with its media errors."""
    return (
        Box().with_port(PATH).with_drive(PATH, serial="FN1", firmware=firmware, health={"media_errors": media_errors})
    )


def test_a_count_that_leaps_in_the_pass_that_shows_other_firmware_begins_again() -> None:
    story = Story().observe(of_firmware("A1", 2)).observe(of_firmware("A1", 3), after=HOUR)
    story.restart().observe(of_firmware("B2", 90), after=HOUR)
    assert [rise.by for rise in record(story).risen("media_errors")] == [1]
    story.observe(of_firmware("B2", 91), after=HOUR)
    assert [rise.by for rise in record(story).risen("media_errors")] == [1, 1]


@pytest.mark.parametrize(
    ("mine", "others", "without"),
    [
        (0, (1,), True),  # there is no second witness
        (1, (1,), False),
        (1, (3, 1, 3), True),
        (1, (1, 3, 1), False),  # that one may itself lose its power
    ],
)
def test_a_drive_was_without_power_where_two_others_were_given_it_more_often(
    mine: int, others: tuple[int, ...], *, without: bool
) -> None:
    story = Story()
    for number, grown in enumerate(((0,) * 4, (mine, *others))):
        made = Box()
        for path, cycles in zip(PATHS, grown, strict=False):
            made.with_port(path).with_drive(path, serial=f"FN{path}", health={"power_cycles": 20 + cycles})
        story.observe(made, after=HOUR * number)
    drives = story.ledger.drives
    assert drives.was_without_power(drives.records[f"FN{PATHS[0]}"], since=story.now - HOUR) is without


def test_a_drive_is_back_once_passes_did_not_find_it_for_a_while() -> None:
    story = Story().observe(box()).observe(box(), after=DAY).restart().observe(box(), after=DAY)
    assert record(story).returned_at == 0.0  # nobody looked meanwhile
    story.observe(Box(), after=60.0).observe(box(), after=539.0)
    assert record(story).returned_at == 0.0  # a pass that failed
    story.observe(Box(), after=60.0).observe(box(), after=540.0)
    assert record(story).returned_at == story.now
