"""Restarts that nobody asked for, as the drives counted them."""

import pytest

from boxes.simulated_past import PATHS, power_cut_past
from boxes.snapshot_box import Box
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.power_loss.restarted_unasked import RESTARTED_UNASKED
from support.rule_examples import check_examples, example


def box(*counts: int) -> Box:
    """Make drives that counted so many unsafe shutdowns; as often they were given power."""
    made = Box()
    for number, (path, count) in enumerate(zip(PATHS, counts, strict=False)):
        counted = {"unsafe_shutdowns": count, "power_cycles": count}
        made.with_port(path).with_drive(path, serial=f"FN{number}", health=counted)
    return made


# NVM Express Base Specification 2.0, 5.16.1.3: the count goes up when power is lost without a shutdown notification
@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ((3, 3, 3, 3), False),
        ((4, 3, 3, 3), False),
        ((4, 4, 3, 3), False),  # half of them: what these two share
        ((4, 4, 4, 3), True),  # one had its caches empty
        ((4, 4, 4, 4), True),
        ((603, 603, 603, 603), False),  # new firmware that counts in another way
    ],
)
@pytest.mark.parametrize("up", [110.0, 0.0])  # a recording may not say for how long the box was up
def test_most_drives_must_have_counted(counts: tuple[int, ...], said: bool, up: float) -> None:
    watcher = Watcher("restarted-unasked").observe(box(3, 3, 3, 3)).observe(box(3, 3, 3, 3), after=HOUR)
    watcher.restart(after=DAY)
    watcher.booted_at = watcher.now + 60.0 - up
    watcher.observe(box(*counts), after=60.0).observe(box(*counts), after=60.0)
    assert bool(watcher.standing) is said
    assert len(watcher.changes) == said


def test_it_is_a_notice_that_names_the_drives_counts_the_times_and_clears_after_a_week() -> None:
    watcher = Watcher("restarted-unasked").observe(box(1, 1)).observe(box(1, 1), after=HOUR)
    for number in (2, 3):
        watcher.restart(after=HOUR).observe(box(number, number), after=60.0).observe(box(number, number), after=HOUR)
    (finding,) = watcher.standing
    assert (finding.severity, finding.evidence["restarts"]) == ("notice", 2)
    assert "2 times in the last 7 days" in finding.summary
    assert "2 of 2 drives counted a loss of power" in finding.summary
    watcher.observe(box(3, 3), after=8 * DAY)
    assert watcher.became == ["raised", "cleared"]


def test_power_that_is_lost_while_the_box_runs_on_is_another_rules_matter() -> None:
    watcher = Watcher("restarted-unasked").observe(box(1, 1)).observe(box(2, 2), after=HOUR)
    assert watcher.changes == []


def test_a_first_pass_knows_of_no_boot_before() -> None:
    assert Watcher("restarted-unasked").observe(box(40, 40)).observe(box(40, 40), after=HOUR).changes == []


def test_where_every_start_counts_the_board_may_cut_the_power_early() -> None:
    watcher = Watcher("restarted-unasked").observe(box(1, 1)).observe(box(1, 1), after=HOUR)
    for number in (2, 3, 4):
        assert not watcher.standing or "at each start" not in watcher.standing[0].summary
        watcher.restart(after=DAY).observe(box(number, number), after=60.0).observe(box(number, number), after=HOUR)
    assert "They did at each start" in watcher.standing[0].summary
    assert watcher.became == ["raised"]


# systemd.service(5), default dependencies: a service is stopped before the system shuts down
@pytest.mark.parametrize(
    ("stopped", "count", "said"),
    [
        (False, 3, "the watch of the boot before broke off, 0 of 4 drives counted a loss of power: a reset or a crash"),
        (False, 4, "4 of 4 drives counted a loss of power"),
        (True, 3, None),
        (True, 4, "was stopped in good order, and yet"),
    ],
)
def test_a_watch_that_broke_off_tells_of_a_restart_that_left_the_drives_their_power(
    stopped: bool, count: int, said: str | None
) -> None:
    watcher = Watcher("restarted-unasked").observe(box(3, 3, 3, 3)).observe(box(3, 3, 3, 3), after=HOUR)
    watcher.restart(after=HOUR, stopped=stopped)
    watcher.observe(box(*[count] * 4), after=60.0).observe(box(*[count] * 4), after=60.0)
    assert (said in watcher.standing[0].summary) if said else (watcher.standing == [])
    watcher.restart(after=HOUR, stopped=True).observe(box(*[count] * 4), after=60.0)
    assert len(watcher.changes) == (1 if said else 0)
    watcher.observe(box(*[count] * 4), after=8 * DAY)
    assert watcher.standing == []


def test_drives_that_counted_at_two_stops_in_good_order_count_every_stop() -> None:
    watcher = Watcher("restarted-unasked").observe(box(1, 1)).observe(box(1, 1), after=HOUR)
    for number in (2, 3, 4, 5):
        watcher.observe(box(number - 1, number - 1), after=8 * DAY).restart(after=HOUR, stopped=True)
        watcher.observe(box(number, number), after=60.0).observe(box(number, number), after=60.0)
        assert bool(watcher.standing) is (number < 4)
        watcher.restart(after=HOUR, stopped=True).observe(box(number, number), after=60.0)
    watcher.restart(after=DAY, stopped=False).observe(box(6, 6), after=60.0).observe(box(6, 6), after=60.0)
    assert "without having been shut down" in watcher.standing[0].summary


def test_examples() -> None:
    check_examples(
        RESTARTED_UNASKED,
        None,
        example(power_cut_past(())),
        example(power_cut_past((0,))),
        example(power_cut_past((0, 1, 2, 3)), "notice the box | If the mains went"),
    )
