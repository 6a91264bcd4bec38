"""Four drives of which one gets into trouble, and the kernel's words for it."""

from dataclasses import replace

from laneproof.past.episodes import Episode
from laneproof.rules.example_past import PATHS, Story, counting_box
from laneproof_collectors.hotplug import Action, DeviceEvent
from laneproof_collectors.snapshot import PciFunction
from simulated_box import Box

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
    return DeviceEvent(action=action, subsystem="pci", devpath="/devices/x", name=address, addresses=(address,))


def episodes(story: Story) -> list[Episode]:
    return story.ledger.episodes.episodes
