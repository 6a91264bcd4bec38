"""When each collector is due, by a clock that the test holds."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.running_daemon import Rig
from laneproof.service import daemon as daemon_module
from laneproof.service import schedule
from laneproof.service.schedule import DEADLINE_SECONDS, TOGETHER_SECONDS, Schedule
from laneproof_collectors.unread import Reason, Unread
from support.waiting import PATIENCE_SECONDS, wait_for


def test_all_are_due_at_the_start_and_then_each_at_its_interval() -> None:
    schedule = Schedule({"fast": 10.0, "slow": 60.0})
    assert schedule.take_due(0.0) == ["fast", "slow"]
    for group in ("fast", "slow"):
        schedule.came_back(group, 0.0)
    assert schedule.take_due(9.9) == []
    assert schedule.take_due(10.0) == ["fast"]
    schedule.came_back("fast", 0.0)
    assert schedule.take_due(60.0) == ["fast", "slow"]


def test_one_that_is_away_is_not_sent_for_again_and_holds_up_nobody() -> None:
    schedule = Schedule({"stuck": 10.0, "fine": 10.0})
    schedule.take_due(0.0)
    schedule.came_back("fine", 0.0)
    assert schedule.take_due(10.0) == ["fine"]
    schedule.came_back("stuck", 0.0)
    assert schedule.take_due(10.0) == ["stuck"]


def test_one_that_stays_away_past_its_deadline_is_overdue_until_it_is_back() -> None:
    schedule = Schedule({"stuck": 10.0})
    schedule.take_due(5.0)
    assert schedule.find_overdue(5.0 + DEADLINE_SECONDS) == {}
    assert schedule.find_overdue(6.0 + DEADLINE_SECONDS) == {"stuck": 1.0 + DEADLINE_SECONDS}
    schedule.came_back("stuck", 0.0)
    assert schedule.find_overdue(100.0) == {}


def test_what_is_hastened_comes_earlier_and_never_later() -> None:
    schedule = Schedule({"a": 60.0, "b": 5.0})
    schedule.take_due(0.0)
    schedule.came_back("a", 0.0)
    schedule.came_back("b", 0.0)
    schedule.hasten(("a", "b", "nobody"), at=20.0)
    assert schedule.take_due(5.0) == ["b"]
    assert schedule.take_due(20.0) == ["a"]


def test_one_that_is_hastened_while_away_is_read_again_when_it_is_back() -> None:
    schedule = Schedule({"a": 60.0})
    schedule.take_due(0.0)
    schedule.hasten(("a",), at=1.0)
    assert schedule.take_due(2.0) == []
    schedule.came_back("a", 0.0)
    assert schedule.take_due(2.0) == ["a"]


@pytest.mark.parametrize(("now", "wait"), [(0.0, 10.0), (4.0, 6.0), (10.0, 0.0), (50.0, 0.0)])
def test_the_wait_ends_when_the_next_one_is_due(now: float, wait: float) -> None:
    schedule = Schedule({"a": 10.0, "b": 30.0})
    schedule.take_due(0.0)
    schedule.came_back("a", 0.0)
    schedule.came_back("b", 0.0)
    assert schedule.take_together(0.0)
    assert schedule.seconds_to_next(now) == wait


def test_with_all_away_the_wait_has_an_end() -> None:
    schedule = Schedule({"a": 10.0})
    schedule.take_due(0.0)
    assert schedule.seconds_to_next(1.0) == DEADLINE_SECONDS


STEPS = st.lists(st.tuples(st.floats(0.0, 20.0), st.sampled_from(["wait", "back-a", "back-b", "hasten"])), max_size=40)


@given(STEPS)
def test_nobody_is_sent_for_twice_at_once(steps: list[tuple[float, str]]) -> None:
    schedule = Schedule({"a": 7.0, "b": 13.0})
    now, away = 0.0, set[str]()
    for seconds, act in steps:
        now += seconds
        if act.startswith("back-"):
            schedule.came_back(act[-1], now)
            away.discard(act[-1])
        elif act == "hasten":
            schedule.hasten(("a", "b"), at=now)
        due = schedule.take_due(now)
        assert not away & set(due)
        away |= set(due)
        assert schedule.seconds_to_next(now) >= 0.0
        assert set(schedule.find_overdue(now)) <= away


def test_what_comes_back_is_judged_together_with_what_was_sent_for_with_it() -> None:
    schedule = Schedule({"a": 10.0, "b": 10.0, "stuck": 10.0})
    assert not schedule.take_together(0.0)
    schedule.take_due(0.0)
    schedule.came_back("a", 0.1)
    assert not schedule.take_together(0.1)
    assert schedule.seconds_to_next(0.1) == pytest.approx(TOGETHER_SECONDS - 0.1)
    schedule.came_back("b", 0.2)
    assert schedule.take_together(TOGETHER_SECONDS)
    assert not schedule.take_together(20.0)
    for now in (20.0, 30.0):  # one that is stuck is not waited for again
        schedule.take_due(now)
        schedule.came_back("a", now + 0.1)
        assert not schedule.take_together(now + 0.1)
        schedule.came_back("b", now + 0.1)
        assert schedule.take_together(now + 0.1)


def test_one_after_another_does_not_put_a_judgement_off_for_ever() -> None:
    schedule = Schedule({"a": 1.0, "b": 1.0})
    schedule.take_due(0.0)
    schedule.came_back("a", 0.1)
    schedule.hasten(("a",), at=0.4)
    schedule.came_back("b", 0.4)
    schedule.take_due(0.4)
    assert not schedule.take_together(0.5)
    assert schedule.take_together(0.1 + TOGETHER_SECONDS)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Call a collector stuck after a moment."""
    monkeypatch.setattr(schedule, "DEADLINE_SECONDS", 0.3)
    monkeypatch.setattr(daemon_module, "LONGEST_WAIT_SECONDS", 0.1)


@pytest.mark.usefixtures("impatient")
def test_one_stuck_collector_is_overdue_and_the_others_go_on(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    rig.start()
    rig.host.hold("/sys/class/hwmon")
    wait_for(lambda: "thermal" in rig.daemon.status.overdue)
    thermal = rig.daemon.status.last_pass
    wait_for(lambda: rig.daemon.status.last_pass is not thermal)
    result = rig.daemon.status.last_pass
    assert result is not None
    assert isinstance(result.snapshot.thermal, Unread)
    assert result.snapshot.thermal.reason is Reason.TIMED_OUT
    rig.box.ports[0].drive = None
    rig.host.change()
    wait_for(lambda: ("position-empty", "riser-1") in rig.rules())
    assert len([record for record in caplog.records if "collector of thermal has not answered" in record.message]) == 1
    rig.host.let_go()
    wait_for(lambda: "thermal" not in rig.daemon.status.overdue)
    rig.passes()
    result = rig.daemon.status.last_pass
    assert result is not None
    assert not isinstance(result.snapshot.thermal, Unread)


@pytest.mark.usefixtures("impatient")
def test_collectors_that_hang_from_the_start_do_not_keep_the_first_verdict(rig: Rig) -> None:
    rig.host.hold("/sys/class/hwmon", "/proc/meminfo", "/proc/mdstat", "/proc/self/mountinfo", "/sys/class/net")
    rig.start()
    status = rig.daemon.status
    assert status.complete
    assert {"thermal", "file_systems"} <= status.overdue.keys()
    assert "functions" in status.runs


@pytest.mark.usefixtures("impatient")
def test_it_ends_though_a_collector_hangs(rig: Rig) -> None:
    rig.start()
    rig.host.hold("/sys/class/hwmon")
    wait_for(lambda: "thermal" in rig.daemon.status.overdue)
    rig.daemon.stop()
    rig.thread.join(PATIENCE_SECONDS)  # the collector hangs for longer
    assert not rig.thread.is_alive()
    assert all(thread.daemon for thread in threading.enumerate() if thread.name.startswith("collector-"))
