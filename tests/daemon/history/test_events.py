"""Events: kept as they came, repetitions counted."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from boxes.passes import FIRST_BOOT, Passes, events_of
from boxes.snapshot_box import A_MORNING
from laneproof.history.events import SAME_SECONDS, Event, from_device, from_kernel
from laneproof.history.origins import DeviceNames
from laneproof.history.store import Store
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.kernel_log.reading import kernel_events
from laneproof_collectors.questions import Clock

NAMES = DeviceNames(paths={"nvme0": "0000:00/01.1", "0000:01:00.0": "0000:00/01.1"}, drives={"nvme0": "FN0001"})
CLOCK = Clock(unix_seconds=1_790_000_100.0, up_seconds=500.0)
LINE = "4,812,480500000,-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"


def _event(t: float, text: str = "something", **fields: Any) -> Event:
    return Event(t=t, kind="io_timeout", text=text, **fields)


def test_an_event_comes_back_as_it_was(store: Store) -> None:
    event = Event(
        t=100.0, kind="dpc", text="containment event", path="0000:00/01.1", drive="FN0001", device="0000:00:01.1",
        up_seconds=5.0, detail={"status": "0x1f01"}, last_t=100.0,
    )  # fmt: skip
    store.add_events([event])
    assert store.read_events() == (event,)


def test_the_same_again_within_a_minute_is_counted(store: Store) -> None:
    store.add_events(_event(t) for t in (0.0, 30.0, 80.0, 100.0 + SAME_SECONDS))
    assert [(event.t, event.last_t, event.count) for event in store.read_events()] == [
        (0.0, 80.0, 3),
        (160.0, 160.0, 1),
    ]


def test_the_same_of_another_device_is_another(store: Store) -> None:
    store.add_events([_event(0.0, device="nvme0"), _event(1.0, device="nvme1"), _event(2.0, device="nvme0")])
    assert [(event.device, event.count) for event in store.read_events()] == [("nvme0", 2), ("nvme1", 1)]


def test_a_repetition_is_counted_across_commits(store: Store) -> None:
    store.add_events([_event(0.0)])
    store.flush()
    store.add_events([_event(1.0)])
    assert [event.count for event in store.read_events()] == [2]


def _restart(file: Path, passes: Passes, lines: Sequence[str], clock: Clock) -> list[tuple[int, float | None]]:
    """Open the history again, give it what the kernel's log holds, and say what it has: counts and times."""
    store = Store.open(str(file))
    store.add_pass(passes.wait(10).take())
    store.add_kernel_events(kernel_events(lines), clock)
    found = [(event.count, event.up_seconds) for event in events_of(store, "controller_down")]
    store.close()
    return found


def _logged(*seconds: float) -> list[str]:
    return [f"4,{number},{int(at * 1e6)},-;{LINE.partition(';')[2]}" for number, at in enumerate(seconds)]


def test_a_record_of_the_kernels_log_is_kept_once_however_often_it_is_read_again(tmp_path: Path) -> None:
    file, passes = tmp_path / "history.db", Passes()
    before = _logged(10.0, 30.0, 480.5)
    kept = [(2, 10.0), (1, 480.5)]  # the first two within a minute are one event, counted
    for _ in range(6):
        assert _restart(file, passes, before, CLOCK) == kept
    # what is new is kept: the same words later, also once the machine has slept for an hour; the stamps stop meanwhile
    assert _restart(file, passes, [*before, *_logged(600.0)], CLOCK) == [*kept, (1, 600.0)]
    slept = Clock(unix_seconds=CLOCK.unix_seconds + 4000, up_seconds=4500.0, monotonic_seconds=900.0)
    assert _restart(file, passes, [*before, *_logged(600.0)], slept) == [*kept, (1, 600.0)]
    # and what another boot says at the same second
    assert sorted(_restart(file, passes.reboot(), before, CLOCK)) == sorted([*kept, *kept, (1, 600.0)])


def test_what_is_asked_for_is_reported(store: Store) -> None:
    store.add_events(
        [
            Event(t=1.0, kind="link_down", text="a", path="0000:00/01.1"),
            Event(t=2.0, kind="link_up", text="b", path="0000:00/01.1", drive="FN0001"),
            Event(t=3.0, kind="link_down", text="c", path="0000:00/01.2"),
        ]
    )
    assert [event.text for event in events_of(store, "link_down")] == ["a", "c"]
    assert [event.text for event in store.read_events(since=2.0)] == ["b", "c"]
    assert [event.text for event in store.read_events(until=2.0)] == ["a", "b"]


def test_events_know_their_boot_once_a_pass_was_kept(store: Store) -> None:
    store.add_events([_event(0.0, "before")])
    store.add_pass(Passes().take())
    store.add_events([_event(1.0, "after")])
    boots = {event.text: event.boot_id for event in events_of(store, "io_timeout")}
    assert boots == {"before": None, "after": FIRST_BOOT}


def test_a_report_of_the_kernels_log_gets_its_position_and_its_time() -> None:
    (report,) = kernel_events([LINE])
    event = from_kernel(report, clock=CLOCK, names=NAMES)
    assert (event.kind, event.path, event.drive, event.device) == ("controller_down", "0000:00/01.1", "FN0001", "nvme0")
    # up 480.5 s, read at up 500: 19.5 s before the reading's wall clock
    assert event.t == pytest.approx(1_790_000_080.5)
    assert event.text.startswith("nvme nvme0: controller is down")
    assert event.detail["csts"] == "0xffffffff"
    assert "lines" not in event.detail
    assert from_kernel(replace(report, lines=2), clock=CLOCK, names=NAMES).detail["lines"] == 2


def test_a_report_after_a_night_of_suspend_gets_the_time_at_which_it_came() -> None:
    """Kernel stamps are CLOCK_MONOTONIC, which stops in suspend (clock_gettime(2))."""
    (report,) = kernel_events([LINE])
    after = replace(CLOCK, up_seconds=CLOCK.up_seconds + 8 * 3600.0, monotonic_seconds=CLOCK.up_seconds)
    event = from_kernel(report, clock=after, names=NAMES)
    assert event.t == pytest.approx(1_790_000_080.5)
    assert event.up_seconds == pytest.approx(480.5 + 8 * 3600.0)


def test_what_names_nobody_has_no_position() -> None:
    (report,) = kernel_events([LINE])
    assert from_kernel(report, clock=CLOCK, names=DeviceNames()).path == ""


def test_a_device_event_gets_its_position_by_any_of_its_names() -> None:
    reported = DeviceEvent(
        action=Action.REMOVE, subsystem="block", devpath="/devices/pci0000:00/0000:01:00.0/nvme/nvme0/nvme0n1",
        name="nvme0n1", address="0000:01:00.0", controller="nvme0",
    )  # fmt: skip
    event = from_device(reported, clock=CLOCK, names=NAMES)
    assert (event.kind, event.path, event.drive) == ("device_remove", "0000:00/01.1", "FN0001")
    assert event.text == "block nvme0n1: remove"


def test_the_store_knows_where_things_were(passes: Passes, store: Store) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.wait(15).without_drive(0).take())
    store.add_kernel_events(kernel_events([LINE]), CLOCK)
    reported = DeviceEvent(
        action=Action.REMOVE, subsystem="nvme", devpath="/devices/x", name="nvme0", address=None, controller="nvme0"
    )
    store.add_device_events([reported], CLOCK)
    found = events_of(store, "controller_down", "device_remove")
    assert [(event.path, event.drive) for event in found] == [("0000:00/01.1", "FN0001")] * 2


@pytest.mark.parametrize("boot_id", [FIRST_BOOT, FIRST_BOOT.replace("-", "")])
def test_what_an_earlier_boot_said_stands_under_that_boot_and_where_its_names_led(
    store: Store, passes: Passes, boot_id: str
) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.reboot().take())
    (report,) = kernel_events([LINE])
    earlier = replace(report, boot_id=boot_id, unix_seconds=A_MORNING + 30.0)
    store.add_kernel_events([earlier], CLOCK, {"nvme0": "0000:00/07.0"})
    (found,) = events_of(store, "controller_down")
    assert (found.boot_id, found.path, found.t) == (FIRST_BOOT, "0000:00/07.0", A_MORNING + 30.0)


def test_what_a_boot_said_that_was_never_seen_stands_under_no_boot(store: Store) -> None:
    store.add_pass(Passes().take())
    (report,) = kernel_events([LINE])
    store.add_kernel_events([replace(report, boot_id="f" * 32, unix_seconds=A_MORNING - 9e4)], CLOCK)
    (found,) = events_of(store, "controller_down")
    assert (found.boot_id, found.path) == (None, "")
