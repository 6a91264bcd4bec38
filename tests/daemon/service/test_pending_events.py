"""What the kernel reported is gathered between two passes and given once."""

from laneproof.service.pending_events import MOST_EVENTS, PendingEvents
from laneproof_collectors.hotplug import DeviceEvent, parse_uevent
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent, classify
from laneproof_collectors.unread import Reason, Unread

NONE = KernelEvents((), 0)
GAP = Unread("the kernel log", "denied", Reason.DENIED)


def report(message: str, up: float = 5.0) -> TimedKernelEvent:
    event = classify(message)
    assert event is not None
    return TimedKernelEvent(event=event, up_seconds=up, sequence=1, priority=3)


GONE = report("nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10")
CORRECTED = report("pcieport 0000:00:01.1: AER: Corrected error received: 0000:01:00.0")


def device() -> DeviceEvent:
    event = parse_uevent(
        {"action": "remove", "devpath": "/devices/pci0000:00/0000:00:01.1/0000:01:00.0/nvme/nvme0", "subsystem": "nvme"}
    )
    assert isinstance(event, DeviceEvent)
    return event


def test_news_of_several_turns_are_given_together_and_once() -> None:
    pending = PendingEvents()
    pending.add(KernelEvents((GONE,), 1, 10), (device(),))
    pending.add(KernelEvents((CORRECTED,), 2, 5), ())
    kernel, devices = pending.drain()
    assert kernel == KernelEvents((GONE, CORRECTED), 3, 15)
    assert devices == (device(),)
    assert pending.drain() == (NONE, ())


def test_a_device_or_a_drive_that_is_gone_is_urgent_and_a_corrected_error_is_not() -> None:
    pending = PendingEvents()
    pending.add(KernelEvents((CORRECTED,), 0, 1), ())
    assert not pending.is_urgent
    pending.add(KernelEvents((GONE,), 0, 1), ())
    assert pending.is_urgent
    pending.add(NONE, (device(),))
    assert pending.is_urgent
    pending.add(NONE, ())
    assert not pending.is_urgent


def test_a_log_that_cannot_be_read_is_reported_as_that_and_not_as_silence() -> None:
    pending = PendingEvents()
    pending.add(GAP, GAP)
    assert pending.drain() == (GAP, GAP)
    assert pending.drain() == (GAP, GAP)  # asked again before another turn: it is still not known
    pending.add(NONE, ())
    assert pending.drain() == (NONE, ())


def test_what_was_read_goes_before_a_gap() -> None:
    pending = PendingEvents()
    pending.add(GAP, GAP)
    pending.add(KernelEvents((GONE,), 0, 1), ())
    assert pending.drain() == (KernelEvents((GONE,), 0, 1), ())


def test_a_flood_keeps_the_latest() -> None:
    pending = PendingEvents()
    flood = tuple(
        report("nvme nvme0: I/O 1 QID 2 timeout, aborting", float(second)) for second in range(MOST_EVENTS + 10)
    )
    pending.add(KernelEvents(flood, 0, len(flood)), ())
    kernel, _ = pending.drain()
    assert not isinstance(kernel, Unread)
    assert len(kernel.events) == MOST_EVENTS
    assert kernel.events[-1].up_seconds == MOST_EVENTS + 9
    assert kernel.records == MOST_EVENTS + 10


def test_what_waits_and_what_was_missed_are_known_until_they_are_given() -> None:
    pending = PendingEvents()
    pending.add(KernelEvents((CORRECTED,), 0, 1), ())
    pending.add_missed((GONE,))
    assert pending.kernel_events == (GONE, CORRECTED)
    pending.drain()
    assert pending.kernel_events == ()


def test_what_the_journal_made_up_for_is_not_lost() -> None:
    pending = PendingEvents()
    pending.add(KernelEvents((CORRECTED,), 4000, 10), ())
    pending.note_made_up()
    assert pending.drain() == (KernelEvents((CORRECTED,), 0, 10), ())
