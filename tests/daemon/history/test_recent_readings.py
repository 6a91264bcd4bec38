"""What is held of the last minutes, and given once something happens."""

import json

import pytest

from boxes.passes import Passes
from laneproof.history.recent_readings import (
    FOLLOWED_SECONDS,
    MOST_EVENTS,
    MOST_RECENT_EVENTS,
    RECENT_SECONDS,
    Line,
    RecentReadings,
)
from laneproof_collectors.hotplug import DeviceEvent, device_events
from laneproof_collectors.kernel_log.reading import TimedKernelEvent, kernel_events
from laneproof_collectors.questions import Clock
from laneproof_collectors.snapshot import HealthLog

GONE = "6,900,500000000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"
REMOVED = {
    "action": "remove",
    "subsystem": "nvme",
    "devpath": "/devices/pci0000:00/0000:00:01.1/0000:01:00.0/nvme/nvme0",
}


def _kernel(*records: str) -> tuple[TimedKernelEvent, ...]:
    return kernel_events(records)


def _devices() -> tuple[DeviceEvent, ...]:
    return device_events([REMOVED])


class Rig:
    """Readings that are held, and a box to read."""

    def __init__(self) -> None:
        self.passes, self.held = Passes(), RecentReadings()

    def read(self, seconds: float = 60.0, **health: float) -> list[Line]:
        if health:
            self.passes.drive(0, health=health)
        return self.held.add_pass(self.passes.after(seconds).snapshot)

    def report(self, *, is_urgent: bool = True) -> list[Line]:
        clock = Clock(unix_seconds=self.passes.t, up_seconds=self.passes.up)
        return self.held.add_events(_kernel(GONE), _devices(), clock, is_urgent=is_urgent)


@pytest.fixture
def rig() -> Rig:
    return Rig()


def _values(line: Line, name: str) -> list[object]:
    return [row["values"][name] for row in line["readings"] if name in row["values"]]


def test_nothing_is_given_as_long_as_nothing_happens(rig: Rig) -> None:
    assert [rig.read(composite_temperature_celsius=float(celsius)) for celsius in range(40, 60)] == [[]] * 20


def test_an_event_gives_what_held_and_what_moved_before_it(rig: Rig) -> None:
    rig.read(composite_temperature_celsius=41.0)
    rig.read(composite_temperature_celsius=55.0)
    rig.read(composite_temperature_celsius=69.0)
    held, first, second, reported = rig.report()
    assert [line["what"] for line in (held, first, second, reported)] == ["held", "moved", "moved", "events"]
    assert 41.0 in _values(held, "composite_temperature_celsius")
    assert _values(first, "composite_temperature_celsius") == [55]
    assert _values(second, "composite_temperature_celsius") == [69]
    assert second["t"] == reported["t"] == rig.passes.t


def test_a_reading_is_shown_with_its_position_and_its_drive(rig: Rig) -> None:
    rig.read()
    held = rig.report()[0]
    controller = rig.passes.controllers()[0]
    (row,) = (
        reading for reading in held["readings"] if reading["end"] == "drive" and reading["drive"] == controller.serial
    )
    assert isinstance(controller.health, HealthLog)
    assert row["path"] == next(
        function.path for function in rig.passes.functions() if function.address == controller.address
    )
    assert row["values"]["unsafe_shutdowns"] == controller.health.unsafe_shutdowns
    assert {"trained_gt_s", "trained_lanes"} <= {name for reading in held["readings"] for name in reading["values"]}


def test_what_happened_is_kept_in_the_kernels_own_words(rig: Rig) -> None:
    rig.read()
    reported = rig.report()[-1]
    (line,) = reported["kernel"]
    assert line["message"] == GONE.partition(";")[2]
    assert (line["kind"], line["device"], line["up"], line["sequence"]) == ("controller_down", "nvme0", 500.0, 900)
    assert reported["devices"] == [{name: REMOVED[name] for name in ("action", "subsystem", "devpath")}]


def test_what_follows_an_event_is_given_pass_by_pass_for_a_while(rig: Rig) -> None:
    rig.read()
    rig.report()
    (after,) = rig.read(10.0, composite_temperature_celsius=71.0)
    assert (after["what"], _values(after, "composite_temperature_celsius")) == ("moved", [71])
    assert rig.read(FOLLOWED_SECONDS, composite_temperature_celsius=72.0) == []


def test_nothing_is_given_twice_and_nothing_is_left_out_between_two_events(rig: Rig) -> None:
    rig.read(composite_temperature_celsius=50.0)
    rig.report()
    rig.read(FOLLOWED_SECONDS + 1.0, composite_temperature_celsius=51.0)
    rig.read(composite_temperature_celsius=52.0)
    given = rig.report()
    assert [line["what"] for line in given] == ["moved", "moved", "events"]


def test_once_older_readings_were_let_go_all_that_held_is_given_again(rig: Rig) -> None:
    rig.read(composite_temperature_celsius=50.0)
    rig.report()
    rig.read(FOLLOWED_SECONDS + 1.0, composite_temperature_celsius=51.0)
    rig.read(RECENT_SECONDS + 1.0, composite_temperature_celsius=52.0)
    held, moved, _ = rig.report()
    assert held["what"] == "held"
    assert 51.0 in _values(held, "composite_temperature_celsius")
    assert _values(moved, "composite_temperature_celsius") == [52]


def test_a_reading_that_can_no_longer_be_taken_is_null(rig: Rig) -> None:
    rig.read()
    rig.passes.unread("controllers")
    rig.read()
    moved = rig.report()[1]
    reported = {
        value for reading in moved["readings"] if reading["end"] == "drive" for value in reading["values"].values()
    }
    assert reported == {None}


def test_a_drive_that_is_gone_has_only_nulls(rig: Rig) -> None:
    rig.read()
    gone = rig.passes.controllers()[0].serial
    rig.passes.without_drive(0)
    rig.read()
    moved = rig.report()[1]
    rows = [reading for reading in moved["readings"] if reading["drive"] == gone and reading["end"] == "drive"]
    assert rows
    assert {value for row in rows for value in row["values"].values()} == {None}


def test_an_event_that_can_wait_is_held_and_given_with_the_next_urgent_one(rig: Rig) -> None:
    rig.read()
    assert rig.report(is_urgent=False) == []
    assert [line["what"] for line in rig.report()] == ["held", "events", "events"]


def test_an_episode_is_given_with_its_pass_and_what_follows_too(rig: Rig) -> None:
    rig.read()
    rig.passes.wait(60.0)
    given = rig.held.add_pass(rig.passes.take().snapshot, [{"episode": 3, "position": "riser-1"}])
    assert given[-1] == {"what": "episode", "t": rig.passes.t, "up": rig.passes.up, "episode": 3, "position": "riser-1"}
    assert len(rig.read(30.0, composite_temperature_celsius=70.0)) == 1


def test_a_flood_of_events_is_cut_and_says_so(rig: Rig) -> None:
    rig.read()
    records = (
        f"6,{n},{500_000_000 + 2_000_000 * n},-;nvme nvme{n}: Device not ready; aborting reset" for n in range(300)
    )
    clock = Clock(unix_seconds=rig.passes.t, up_seconds=rig.passes.up)
    found = rig.held.add_events(_kernel(*records), (), clock, is_urgent=True)[-1]
    assert len(found["kernel"]) == MOST_EVENTS
    assert found["left_out"] == 300 - MOST_EVENTS


@pytest.mark.parametrize("passes", [1, 200])
def test_what_is_held_does_not_grow_with_time(rig: Rig, passes: int) -> None:
    for number in range(passes):
        rig.read(60.0, composite_temperature_celsius=float(40 + number % 7))
    assert len(rig.report()) <= RECENT_SECONDS / 60.0 + 3


def test_what_the_kernel_reported_before_the_first_pass_does_not_cost_the_readings_of_it(rig: Rig) -> None:
    assert [line["what"] for line in rig.report()] == ["events"]
    (held,) = rig.read(10.0, composite_temperature_celsius=44.0)
    assert held["what"] == "held"
    assert 44.0 in _values(held, "composite_temperature_celsius")


def test_a_flood_that_can_wait_is_held_up_to_a_number_and_the_rest_is_counted(rig: Rig) -> None:
    rig.read()
    for _ in range(MOST_RECENT_EVENTS // 2 + 25):
        rig.report(is_urgent=False)  # two: a line of the kernel's, and a device event
    lines = [line for line in rig.report() if line["what"] == "events"]
    assert sum(len(line["kernel"]) for line in lines) == MOST_RECENT_EVENTS // 2 + 1
    assert lines[-1]["left_out"] == 50
    rig.report(is_urgent=False)
    assert "left_out" not in rig.report()[-1]


def test_what_was_let_go_makes_room_for_what_comes_later(rig: Rig) -> None:
    rig.read()
    for _ in range(MOST_RECENT_EVENTS // 2):
        rig.report(is_urgent=False)
    rig.read(RECENT_SECONDS + 1.0)
    assert [line["what"] for line in rig.report(is_urgent=False) + rig.report()] == ["held", "events", "events"]


def test_what_was_cut_from_a_line_is_not_held_against_what_comes_later(rig: Rig) -> None:
    rig.read()
    word = "Device not ready; aborting reset"
    flood = _kernel(*(f"6,{n},{500_000_000 + 2_000_000 * n},-;nvme nvme{n}: {word}" for n in range(MOST_RECENT_EVENTS)))
    rig.held.add_events(flood, (), Clock(unix_seconds=rig.passes.t, up_seconds=rig.passes.up), is_urgent=False)
    rig.report(is_urgent=False)
    lines = rig.report()
    assert [len(line["kernel"]) for line in lines if line["what"] == "events"] == [MOST_EVENTS, 1, 1]


def test_every_line_is_json(rig: Rig) -> None:
    rig.read()
    assert all(json.loads(json.dumps(line)) == line for line in rig.report())
