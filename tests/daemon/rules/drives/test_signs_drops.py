"""drops-off-bus and controller-resets: one complaint a place, louder when it happens again, cleared by clean time."""

import pytest

from laneproof.rules.drives.signs_drops import LONGEST_SECONDS, SHORTEST_SECONDS
from laneproof.rules.example_past import PATHS, counting_box
from laneproof_collectors.snapshot import AutonomousTransitions
from simulated_box import Box, declare
from story_engine import DAY, HOUR, Told

DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
RESET = "nvme nvme0: I/O 7 QID 3 timeout, reset controller"
BUILD = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"')


def days(told: Told, number: int, *, drops: tuple[int, ...] = (), line: str = DOWN) -> Told:
    for day in range(number):
        told.look(counting_box((0, 0, 0, 0)), after=DAY, log=(line,) if day in drops else ())
    return told


def test_the_first_drop_is_a_warning_and_the_next_is_critical() -> None:
    told = days(Told("drops-off-bus", BUILD), 30, drops=(20,))
    assert told.changes == [("raised", "warning", "dropped off the bus")]
    days(told, 5, drops=(4,))
    assert told.changes[1:] == [("changed", "critical", "drops off the bus again and again")]
    days(told, 10, drops=(2, 4, 6))
    assert len(told.changes) == 2  # more of the same is no change


def test_it_names_the_drive_by_its_position_while_it_is_away() -> None:
    told = days(Told("drops-off-bus", BUILD), 3)
    told.look(counting_box((0, 0, 0, 0)).without(PATHS[0]), after=HOUR, log=(DOWN,))
    (finding,) = told.standing
    assert (finding.position, finding.subject) == ("riser-1", "nvme0")
    assert "it is not back" in finding.summary
    told.look(counting_box((0, 0, 0, 0)), after=HOUR)
    assert "it came back" in told.standing[0].summary


def test_it_clears_after_clean_time_of_its_own_making() -> None:
    frequent = days(Told("drops-off-bus", BUILD), 30, drops=tuple(range(10, 30)))
    days(frequent, 5)
    assert frequent.standing == []  # twenty in twenty days: clean for some days is telling
    rare = days(Told("drops-off-bus", BUILD), 30, drops=(20,))
    days(rare, int(LONGEST_SECONDS / DAY) - 12)
    assert rare.standing
    days(rare, 14)
    assert rare.standing == []
    assert frequent.changes[-1][0] == rare.changes[-1][0] == "cleared"
    assert SHORTEST_SECONDS < LONGEST_SECONDS


def test_resets_alone_are_told_as_resets() -> None:
    told = days(Told("controller-resets", BUILD), 10, drops=(5,), line=RESET)
    assert told.changes == [("raised", "warning", "its controller was reset")]


def test_resets_of_a_drive_that_drops_are_told_with_its_drops() -> None:
    resets = Told("controller-resets", BUILD)
    drops = Told("drops-off-bus", BUILD)
    for told in (resets, drops):
        days(told, 10, drops=(5,), line=RESET)
        days(told, 3, drops=(1,), line=DOWN)
    assert resets.standing == []
    assert "its controller was reset 1 time besides" not in drops.standing[0].summary  # it came before the drop
    days(drops, 2, drops=(1,), line=RESET)
    assert "its controller was reset 1 time besides" in drops.standing[0].summary


def test_the_last_episodes_are_told_with_what_held_before() -> None:
    told = days(Told("drops-off-bus", BUILD), 10, drops=(2, 5, 8))
    shown = told.standing[0].evidence["last_episodes"]
    assert [one["episode"] for one in shown] == [1, 2, 3]
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
def test_what_answered_of_a_controller_that_was_down_is_told_as_the_kernel_read_it(
    csts: str, pci_status: str, answered: tuple[bool, bool]
) -> None:
    line = f"nvme nvme0: controller is down; will reset: CSTS={csts}, PCI_STATUS{pci_status}"
    told = days(Told("drops-off-bus" if csts == "0xffffffff" else "controller-resets", BUILD), 5, drops=(2,), line=line)
    (finding,) = told.standing
    (shown,) = finding.evidence["last_episodes"]
    assert (shown["registers_answered"], shown["left_the_bus"]) == answered
    is_split = answered == (False, False)
    assert ("its registers did not answer, its config space did" in finding.summary) == is_split
    reasons = [reason for cause in finding.causes for reason in cause.because]
    assert not any("gone from the bus" in reason for reason in reasons)


@pytest.mark.parametrize("count", [2, 5])
def test_drops_together_say_so(count: int) -> None:
    told = Told("drops-off-bus")
    for _ in range(count):
        told.look(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN, DOWN.replace("nvme0", "nvme1")))
    assert len(told.standing) == 2
    assert all("at the same moment as 1 other" in one.summary for one in told.standing)


def test_a_fix_on_trial_is_told_counted_down_and_its_cure_told_before_it_clears() -> None:
    def box(*, idle: bool) -> Box:
        states = AutonomousTransitions(enabled=idle, transitions={})
        return Box().with_port(PATHS[0]).with_drive(PATHS[0], controller={"autonomous_transitions": states})

    told = Told("drops-off-bus", BUILD)
    for day in range(40):
        told.look(box(idle=True), after=DAY, log=(DOWN,) if day in (20, 24, 29, 33, 38) else ())
    told.restart().look(box(idle=False), after=HOUR)
    assert told.standing[0].observed == "drops off the bus again and again; a fix is on trial"
    assert "it must stay clean for" in told.standing[0].summary
    for _ in range(40):
        told.look(box(idle=False), after=DAY / 2)
    assert ("changed", "notice", "drops off the bus again and again; cured") in told.changes
    for _ in range(10):
        told.look(box(idle=False), after=DAY / 2)
    assert told.standing == []


def test_a_fix_that_did_not_help_is_told_so() -> None:
    def box(*, idle: bool) -> Box:
        states = AutonomousTransitions(enabled=idle, transitions={})
        return Box().with_port(PATHS[0]).with_drive(PATHS[0], controller={"autonomous_transitions": states})

    told = Told("drops-off-bus", BUILD)
    for day in range(40):
        told.look(box(idle=True), after=DAY, log=(DOWN,) if day in (20, 24, 29, 33, 38) else ())
    told.restart().look(box(idle=False), after=HOUR).look(box(idle=False), after=DAY, log=(DOWN,))
    assert told.standing[0].observed == "drops off the bus again and again"
    assert "that was not the cure" in told.standing[0].summary
    assert told.standing[0].evidence["trial"]["outcome"] == "not-cured"


def test_commands_that_are_only_taken_back_are_a_note_until_the_third_time() -> None:
    line = "nvme nvme0: I/O 7 QID 3 timeout, aborting"
    told = days(Told("controller-resets", BUILD), 10, drops=(5,), line=line)
    assert told.changes == [("raised", "notice", "its commands timed out")]
    days(told, 10, drops=(2, 5), line=line)
    assert told.severity == "warning"
    assert "let commands time out 3 times" in told.standing[0].summary


def test_other_devices_come_and_go_as_they_please() -> None:
    def box() -> Box:
        made = Box().with_port(PATHS[0]).with_drive(PATHS[0]).with_port(PATHS[1])
        return made.with_device(PATHS[1])  # a graphics card that its driver puts to sleep

    line = "vfio-pci 0000:02:00.0: Unable to change power state from D3cold to D0, device inaccessible"
    told = Told("drops-off-bus", BUILD).look(box()).look(box(), after=HOUR, log=(line,))
    assert len(told.engine._ledger.episodes.episodes) == 1
    assert told.standing == []


def test_a_switch_card_that_drops_is_told_since_drives_hang_on_it() -> None:
    deck = "0000:00/02.1"

    def box() -> Box:
        made = Box().with_port(deck).with_switch(deck).with_port(f"{deck}/00.0/00.0")
        return made.with_drive(f"{deck}/00.0/00.0", serial="FN7")

    line = "pcieport 0000:00:02.1: DPC: containment event, status:0x1f01 source:0x0000"
    told = Told("drops-off-bus").look(box()).look(box(), after=HOUR, log=(line,))
    assert [one.key for one in told.standing] == [deck]
