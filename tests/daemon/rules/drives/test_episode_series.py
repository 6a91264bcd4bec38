"""Episodes that still count, and what is said of them."""

import pytest

from boxes.losing_box import DOWN, GIVEN_UP, days, four, gone
from boxes.simulated_past import PATHS, busy_box, counting_box
from boxes.snapshot_box import RISER_1, Box, declare
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.drives.episode_series import LONGEST_SECONDS, SHORTEST_SECONDS
from laneproof_collectors.snapshot import AutonomousTransitions

BUILD = declare(RISER_1)


def test_it_clears_after_clean_time_of_its_own_making() -> None:
    frequent = days(Watcher("drops-off-bus", BUILD), 30, drops=tuple(range(10, 30)))
    days(frequent, 5)
    assert frequent.standing == []  # twenty in twenty days: clean for some days is telling
    rare = days(Watcher("drops-off-bus", BUILD), 30, drops=(20,))
    days(rare, int(LONGEST_SECONDS / DAY) - 12)
    assert rare.standing
    days(rare, 14)
    assert rare.standing == []
    assert frequent.changes[-1][0] == rare.changes[-1][0] == "cleared"
    assert SHORTEST_SECONDS < LONGEST_SECONDS


def test_the_last_episodes_are_reported_with_what_held_before() -> None:
    watcher = days(Watcher("drops-off-bus", BUILD), 10, drops=(2, 5, 8))
    shown = watcher.standing[0].evidence["last_episodes"]
    assert [finding["episode"] for finding in shown] == [1, 2, 3]
    assert shown[-1]["celsius_before"] == 38.0
    assert shown[-1]["link_before"] == "16 GT/s (generation 4) x4"


# Source: Linux drivers/nvme/host/pci.c, nvme_warn_reset reads a register, then the status word of config space
@pytest.mark.parametrize(
    ("csts", "pci_status", "answered"),
    [
        ("0xffffffff", "=0x10", (False, False)),
        ("0xffffffff", "=0xffff", (False, True)),
        ("0xffffffff", " read failed (134)", (False, True)),
        ("0x3", "=0x10", (True, False)),
    ],
)
def test_what_answered_of_a_controller_that_was_down_is_reported_as_the_kernel_read_it(
    csts: str, pci_status: str, answered: tuple[bool, bool]
) -> None:
    line = f"nvme nvme0: controller is down; will reset: CSTS={csts}, PCI_STATUS{pci_status}"
    watcher = days(
        Watcher("drops-off-bus" if csts == "0xffffffff" else "controller-resets", BUILD), 5, drops=(2,), line=line
    )
    (finding,) = watcher.standing
    (shown,) = finding.evidence["last_episodes"]
    assert (shown["registers_answered"], shown["left_the_bus"]) == answered
    is_split = answered == (False, False)
    assert ("its registers did not answer, its config space did" in finding.summary) == is_split
    reasons = [reason for cause in finding.causes for reason in cause.because]
    assert not any("gone from the bus" in reason for reason in reasons)


@pytest.mark.parametrize("count", [2, 5])
def test_drops_together_say_so(count: int) -> None:
    watcher = Watcher("drops-off-bus")
    watcher.observe(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN, DOWN.replace("nvme0", "nvme1")), times=count)
    assert len(watcher.standing) == 2
    assert all("at the same moment as 1 other" in finding.summary for finding in watcher.standing)


@pytest.mark.parametrize(("drops", "severity"), [((), "notice"), ((3,), "critical")])
def test_a_drive_whose_statistics_began_again_is_a_notice_until_somebody_saw_it_go(
    drops: tuple[int, ...], severity: str
) -> None:
    watcher = Watcher("drops-off-bus", BUILD)
    for day, reads in enumerate((5000, 6000, 10, 20)):
        watcher.observe(busy_box(reads, (reads,)), after=DAY, log=(DOWN,) if day in drops else ())
    assert watcher.severity == severity


def box(*, idle: bool) -> Box:
    states = AutonomousTransitions(enabled=idle, transitions={0: (3, 500)})
    return Box().with_port(PATHS[0]).with_drive(PATHS[0], controller={"autonomous_transitions": states})


def on_trial() -> Watcher:
    """Let a drive drop five times, and its idle states be switched off then."""
    watcher = Watcher("drops-off-bus", BUILD)
    for day in range(40):
        watcher.observe(box(idle=True), after=DAY, log=(DOWN,) if day in (20, 24, 29, 33, 38) else ())
    return watcher.restart().observe(box(idle=False), after=HOUR)


def test_a_fix_on_trial_is_reported_counted_down_and_its_cure_reported_before_it_clears() -> None:
    watcher = on_trial()
    assert watcher.standing[0].observed == "drops off the bus again and again; a fix is on trial"
    assert "it must stay clean for" in watcher.standing[0].summary
    watcher.observe(box(idle=False), after=DAY / 2, times=40)
    assert ("changed", "notice", "drops off the bus again and again; cured") in watcher.changes
    watcher.observe(box(idle=False), after=DAY / 2, times=10)
    assert watcher.standing == []


def test_a_fix_that_did_not_help_is_reported_so() -> None:
    watcher = on_trial().observe(box(idle=False), after=DAY, log=(DOWN,))
    assert watcher.standing[0].observed == "drops off the bus again and again"
    assert "that was not the cure" in watcher.standing[0].summary
    assert watcher.standing[0].evidence["trial"]["outcome"] == "not-cured"


def test_a_position_that_stays_empty_is_no_clean_time() -> None:
    watcher = Watcher("drops-off-bus").observe(four())
    for _ in range(3):
        watcher.observe(four(), after=DAY).observe(gone(), after=DAY, log=(GIVEN_UP,))
    assert watcher.observe(gone(), after=29 * DAY).standing != []
    assert watcher.observe(gone(), after=2 * DAY).standing == []
