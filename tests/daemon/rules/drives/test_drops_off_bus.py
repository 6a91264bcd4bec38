"""Drives that stopped answering."""

import pytest

from boxes.losing_box import DOWN, LOG_DENIED, days, four, gone, removal, silent
from boxes.simulated_past import PATHS, dropping_past, quiet_snapshot
from boxes.snapshot_box import RISER_1, Box, declare, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.drives.drops_off_bus import DROPS_OFF_BUS
from laneproof_collectors.hotplug import DeviceEvent
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)


def test_the_first_drop_is_a_warning_and_the_next_is_critical() -> None:
    watcher = days(Watcher("drops-off-bus", BUILD), 30, drops=(20,))
    assert watcher.changes == [("raised", "warning", "dropped off the bus")]
    days(watcher, 5, drops=(4,))
    assert watcher.changes[1:] == [("changed", "critical", "drops off the bus again and again")]
    days(watcher, 10, drops=(2, 4, 6))
    assert len(watcher.changes) == 2  # more of the same is no change


def test_it_names_the_drive_by_its_position_while_it_is_away() -> None:
    watcher = days(Watcher("drops-off-bus", BUILD), 3)
    watcher.observe(gone(), after=HOUR, log=(DOWN,))
    (finding,) = watcher.standing
    assert (finding.position, finding.subject) == ("riser-1", "nvme0")
    assert "it is not back" in finding.summary
    watcher.observe(four(), after=HOUR)
    assert "it came back" in watcher.standing[0].summary


def test_other_devices_come_and_go_as_they_please() -> None:
    box = one_drive().with_port(PATHS[1]).with_device(PATHS[1])  # a graphics card that its driver puts to sleep
    line = "vfio-pci 0000:02:00.0: Unable to change power state from D3cold to D0, device inaccessible"
    watcher = Watcher("drops-off-bus", BUILD).observe(box).observe(box, after=HOUR, log=(line,))
    assert len(watcher.engine.past.ledger.episodes.episodes) == 1
    assert watcher.standing == []


def test_a_switch_card_that_drops_is_reported_since_drives_hang_on_it() -> None:
    deck = "0000:00/02.1"
    box = Box().with_port(deck).with_switch(deck).with_port(f"{deck}/00.0/00.0").with_drive(f"{deck}/00.0/00.0")
    line = "pcieport 0000:00:02.1: DPC: containment event, status:0x1f01 source:0x0000"
    watcher = Watcher("drops-off-bus").observe(box).observe(box, after=HOUR, log=(line,))
    assert [finding.key for finding in watcher.standing] == [deck]


# Linux drivers/pci/hotplug/pciehp_ctrl.c: a drive that is pulled and one that fails both leave by a "remove"
# event; only the log shows which it was
@pytest.mark.parametrize("devices", [(), (removal(),)])
def test_where_the_log_can_never_be_read_a_drive_that_left_may_have_been_taken_out(
    devices: tuple[DeviceEvent, ...],
) -> None:
    watcher = Watcher("drops-off-bus", BUILD).observe(four(), log=LOG_DENIED)
    watcher.observe(gone(), after=HOUR, log=LOG_DENIED, devices=devices)
    assert watcher.severity == "notice"
    assert "left the bus at" in watcher.standing[0].summary
    assert "whether somebody took it out is not known" in watcher.standing[0].summary
    assert watcher.standing[0].next_steps[0].startswith("If somebody took it out")


@pytest.mark.parametrize(("removable", "severities"), [("", ["notice", "notice", "warning"]), ("removable = true", [])])
def test_a_drive_that_leaves_a_third_time_is_an_alarm_unless_it_may(removable: str, severities: list[str]) -> None:
    plan = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"\n{removable}')
    watcher, seen = Watcher("drops-off-bus", plan), []
    for _ in range(3):
        watcher.observe(four(), after=5 * DAY, log=LOG_DENIED).observe(gone(), after=HOUR, log=LOG_DENIED)
        seen += [str(finding.severity) for finding in watcher.standing]
    assert seen == severities


def test_a_drive_that_reads_all_ones_dropped_whether_the_log_is_read_or_not() -> None:
    watcher = Watcher("drops-off-bus", BUILD).observe(four(), log=LOG_DENIED)
    watcher.observe(silent(), after=HOUR, log=LOG_DENIED)
    assert watcher.severity == "warning"


def test_examples() -> None:
    check_examples(
        DROPS_OFF_BUS,
        RISER_1,
        example(quiet_snapshot()),
        example(dropping_past(days=(20, 30)), "critical nvme0 | See that the drive"),
        example(dropping_past(days=(20,), asked=True)),
    )
