"""Four drives of which one gets into trouble, and the kernel's words for it."""

from collections.abc import Sequence
from dataclasses import replace

from boxes.simulated_past import PATHS, Story, counting_box
from boxes.snapshot_box import Box
from boxes.story_engine import DAY, Watcher
from laneproof.past.episodes import Episode
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.kernel_log.reading import KernelEvents
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Reason, Unread

PATH = PATHS[0]
DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
GIVEN_UP = "nvme nvme0: Disabling device after reset failure: -19"
HARMLESS_BUT_READ = "nvme nvme0: I/O 7 QID 3 timeout, completion polled"
RESET = "nvme nvme0: I/O 7 QID 3 timeout, reset controller"


def four() -> Box:
    return counting_box((0, 0, 0, 0))


def gone(path: str = PATH) -> Box:
    return four().without(path)


def silent(path: str = PATH) -> Box:
    def stop(function: PciFunction) -> PciFunction:
        return replace(function, answers=False)

    return four().edit(f"{path}/00.0", stop)


def removal(action: Action = Action.REMOVE) -> DeviceEvent:
    address = "0000:01:00.0"
    return DeviceEvent(action=action, subsystem="pci", devpath="/devices/x", name=address, address=address)


LOG_DENIED = Unread("the kernel log", "not permitted (EPERM)", Reason.DENIED)
LOG_OVERRUN = KernelEvents((), lost=4000, records=200)


def observe_without_words(
    story: Story, box: Box, log: KernelEvents | Unread, *, after: float, devices: Sequence[DeviceEvent] = ()
) -> None:
    """Look again where the log could not be read, or lost records."""
    assert story.last is not None
    story.now += after
    box.with_firmware(boot_id=story.last.boot_id)
    story.last = replace(box.snapshot(taken_at=story.now), up_seconds=story.now - story.booted_at)
    story.ledger.update(story.last, log, devices)


def episodes(story: Story) -> list[Episode]:
    return story.ledger.episodes.episodes


def days(watcher: Watcher, number: int, *, drops: Sequence[int] = (), line: str = DOWN) -> Watcher:
    """Let days pass, on some of which the kernel's log has a line."""
    for day in range(number):
        watcher.observe(four(), after=DAY, log=(line,) if day in drops else ())
    return watcher
