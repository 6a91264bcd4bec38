"""The engine takes passes one after another: confirmation, changes, a boot with another BIOS, a restart."""

import json
from dataclasses import replace

import pytest

from boxes.snapshot_box import Box, declare, kelp_box, make_firmware
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.findings import Change
from laneproof_collectors.kernel_log.reading import KernelEvents
from laneproof_collectors.snapshot import Firmware, Snapshot
from laneproof_collectors.unread import Reason, Unread

BUILD = '[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"\nlink = { generation = 4, lanes = 4 }'
FIRST_BOOT, SECOND_BOOT = "0b5e55ed-0000-4000-8000-000000000001", "0b5e55ed-0000-4000-8000-000000000002"


def box(*, lanes: int = 4, target: int | None = None, t: float = 0.0, firmware: Firmware | None = None) -> Snapshot:
    made = Box().with_port("0000:00/01.1", target=target).with_drive("0000:00/01.1", serial="FN1", trained=(4, lanes))
    if target is not None:
        made = Box().with_port("0000:00/01.1", target=target).with_drive("0000:00/01.1", serial="FN1")
    made.with_group(firmware=firmware or make_firmware(boot_id=FIRST_BOOT))
    return replace(made.snapshot(taken_at=1_790_000_000.0 + t), up_seconds=3600.0 + t)


def narrow(engine: Engine, snapshot: Snapshot) -> list[str]:
    return [str(change.change) for change in engine.observe(snapshot).changes if change.finding.rule == "link-narrow"]


def test_a_first_pass_reports_what_differs_at_once() -> None:
    outcome = Engine(declare(BUILD)).observe(box(lanes=2))
    (found,) = (finding for finding in outcome.findings if finding.rule == "link-narrow")
    assert found.since == outcome.snapshot.taken_at
    assert [change.change for change in outcome.changes if change.finding.rule == "link-narrow"] == [Change.RAISED]


def test_a_live_engine_waits_for_three_readings() -> None:
    engine = Engine(declare(BUILD), confirmations=LIVE_CONFIRMATIONS)
    assert narrow(engine, box()) == []
    assert narrow(engine, box(lanes=2, t=1)) == []
    same = box(lanes=2, t=2)
    assert narrow(engine, same) == []
    assert engine.observe(replace(same, taken_at=same.taken_at + 1), read_again={"arrays"}).waiting
    assert engine.observe(box(lanes=2, t=4)).waiting is False
    assert narrow(engine, box(t=5)) == ["cleared"]


def test_a_new_declaration_is_judged_at_the_next_pass() -> None:
    engine = Engine(None)
    assert narrow(engine, box()) == []
    engine.build = declare(BUILD.replace("lanes = 4", "lanes = 8"))
    assert narrow(engine, box(t=15)) == ["raised"]


@pytest.mark.parametrize(("bios", "decided"), [("1.20", True), ("1.18", False)])
def test_a_target_rate_that_fell_with_another_bios_is_the_firmwares_setting(bios: str, *, decided: bool) -> None:
    engine = Engine(declare(BUILD))
    engine.observe(box(firmware=make_firmware(boot_id=FIRST_BOOT, bios_version="1.18")))
    after = box(target=3, t=600, firmware=make_firmware(boot_id=SECOND_BOOT, bios_version=bios))
    (slow,) = (finding for finding in engine.observe(after).findings if finding.rule == "link-slow")
    assert [cause.cause for cause in slow.causes] == (["firmware-setting"] if decided else [])
    assert all("1.18" in " ".join(cause.because) for cause in slow.causes)


def test_a_restart_goes_on_where_the_last_run_stopped() -> None:
    first = Engine(declare(BUILD))
    began = first.observe(box(lanes=2))
    state = json.loads(json.dumps(first.as_state()))  # it is kept as JSON
    second = Engine(declare(BUILD), confirmations=LIVE_CONFIRMATIONS)
    second.restore(began.findings, state)
    outcome = second.observe(box(lanes=2, t=60))
    assert [change for change in outcome.changes if change.finding.rule == "link-narrow"] == []
    assert {finding.since for finding in outcome.findings if finding.rule == "link-narrow"} == {began.snapshot.taken_at}
    assert narrow(second, box(t=75)) == ["cleared"]


def test_a_kernel_log_that_cannot_be_heard_is_unverified_until_it_is() -> None:
    gap = Unread("the kernel log", "not permitted (EPERM)", Reason.DENIED, "EPERM")
    engine, snapshot = Engine(None), Box().snapshot()
    outcome = engine.observe(snapshot, gap, ())
    assert [(finding.rule, finding.kind, finding.key) for finding in outcome.findings] == [
        ("reading-incomplete", "unverified", "kernel-log")
    ]
    again = engine.observe(replace(snapshot, taken_at=snapshot.taken_at + 60), KernelEvents((), 0, 12), gap)
    assert [finding.key for finding in again.findings] == ["device-events"]
    assert [(change.change, change.finding.key) for change in again.changes] == [
        (Change.CLEARED, "kernel-log"),
        (Change.RAISED, "device-events"),
    ]


# --- time -------------------------------------------------------------------------------------------------------------

DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


def dropping() -> Watcher:
    """Make a drive that has dropped three times within the day, the last time fifteen hours ago."""
    watcher = Watcher("drops-off-bus").observe(kelp_box(1))
    for _ in range(3):
        watcher.observe(kelp_box(1), after=3 * HOUR, log=(DOWN,)).observe(kelp_box(1), after=60)
    return watcher.observe(kelp_box(1), after=15 * HOUR)


def test_a_clock_put_right_by_five_years_at_a_boot_clears_no_alarm() -> None:
    watcher = dropping()
    assert watcher.severity in ("warning", "critical")
    before = [*watcher.changes]
    watcher.restart().clock_error = 5 * 365 * DAY
    watcher.observe(kelp_box(1), after=60).observe(kelp_box(1), after=HOUR)
    assert watcher.changes == before
    assert watcher.standing


def test_powered_time_clears_it_in_the_end() -> None:
    watcher = dropping()
    for _ in range(120):
        watcher.observe(kelp_box(1), after=DAY)
    assert watcher.standing == []


def test_an_episode_after_a_night_of_suspend_is_dated_when_it_came() -> None:
    watcher = Watcher("drops-off-bus").observe(kelp_box(1)).observe(kelp_box(1), after=HOUR)
    watcher.sleep(8 * HOUR).observe(kelp_box(1), after=60).observe(kelp_box(1), after=60, log=(DOWN,))
    (episode,) = watcher.engine.past.ledger.episodes.episodes
    assert episode.dropped_at == watcher.now - 30.0
