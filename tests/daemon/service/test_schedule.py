"""When each collector is due, by a clock that the test holds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.service.schedule import DEADLINE_SECONDS, Schedule


def test_all_are_due_at_the_start_and_then_each_at_its_interval() -> None:
    schedule = Schedule({"fast": 10.0, "slow": 60.0})
    assert schedule.take_due(0.0) == ["fast", "slow"]
    for group in ("fast", "slow"):
        schedule.came_back(group)
    assert schedule.take_due(9.9) == []
    assert schedule.take_due(10.0) == ["fast"]
    schedule.came_back("fast")
    assert schedule.take_due(60.0) == ["fast", "slow"]


def test_one_that_is_away_is_not_sent_for_again_and_holds_up_nobody() -> None:
    schedule = Schedule({"stuck": 10.0, "fine": 10.0})
    schedule.take_due(0.0)
    schedule.came_back("fine")
    assert schedule.take_due(10.0) == ["fine"]
    schedule.came_back("stuck")
    assert schedule.take_due(10.0) == ["stuck"]


def test_one_that_stays_away_past_its_deadline_is_overdue_until_it_is_back() -> None:
    schedule = Schedule({"stuck": 10.0})
    schedule.take_due(5.0)
    assert schedule.find_overdue(5.0 + DEADLINE_SECONDS) == {}
    assert schedule.find_overdue(6.0 + DEADLINE_SECONDS) == {"stuck": 1.0 + DEADLINE_SECONDS}
    schedule.came_back("stuck")
    assert schedule.find_overdue(100.0) == {}


def test_what_is_hastened_comes_earlier_and_never_later() -> None:
    schedule = Schedule({"a": 60.0, "b": 5.0})
    schedule.take_due(0.0)
    schedule.came_back("a")
    schedule.came_back("b")
    schedule.hasten(("a", "b", "nobody"), at=20.0)
    assert schedule.take_due(5.0) == ["b"]
    assert schedule.take_due(20.0) == ["a"]


def test_one_that_is_hastened_while_away_is_read_again_when_it_is_back() -> None:
    schedule = Schedule({"a": 60.0})
    schedule.take_due(0.0)
    schedule.hasten(("a",), at=1.0)
    assert schedule.take_due(2.0) == []
    schedule.came_back("a")
    assert schedule.take_due(2.0) == ["a"]


@pytest.mark.parametrize(("now", "wait"), [(0.0, 10.0), (4.0, 6.0), (10.0, 0.0), (50.0, 0.0)])
def test_the_wait_ends_when_the_next_one_is_due(now: float, wait: float) -> None:
    schedule = Schedule({"a": 10.0, "b": 30.0})
    schedule.take_due(0.0)
    schedule.came_back("a")
    schedule.came_back("b")
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
            schedule.came_back(act[-1])
            away.discard(act[-1])
        elif act == "hasten":
            schedule.hasten(("a", "b"), at=now)
        due = schedule.take_due(now)
        assert not away & set(due)
        away |= set(due)
        assert schedule.seconds_to_next(now) >= 0.0
        assert set(schedule.find_overdue(now)) <= away
