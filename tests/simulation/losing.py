"""How a drive is lost while the box runs, what is said of it, and how it comes back.

The kernel's part of the story follows its drivers: a port with hot plug reports the link and lets the device go at
once; without, the NVMe driver notices by itself, tries a reset, and gives the controller up when that fails.
"""

from dataclasses import dataclass
from enum import StrEnum

from simulation.hardware import Drive, Presence
from simulation.running_box import Life, RunningBox

_ALL_ONES = 0xFFFFFFFF


class Return(StrEnum):
    """How it comes back."""

    RESET = "reset"  # by the driver's own reset, within the minute
    REPLUG = "replug"  # as a device that is found again
    REBOOT = "reboot"  # when the machine is started again
    POWER = "power"  # only when its power was taken away


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a drive is lost.

    Attributes:
        silent: Nothing answers on the bus; else the controller says that it failed, and is still there.
        only_times_out: Commands time out and the driver resets; nothing is said of the controller's state.
        comes_back: How it comes back.
        away_seconds: How long that takes (for a restart: until the owner sees to it).
        loses_power: The drive's own power failed, and the drive counts it.
        config_space_gone: Its configuration space reads all ones as well.
    """

    silent: bool = True
    only_times_out: bool = False
    comes_back: Return = Return.RESET
    away_seconds: float = 30.0
    loses_power: bool = False
    config_space_gone: bool = True


def lose(box: RunningBox, life: Life, manner: Manner) -> bool:
    """Lose a drive now; whether it was there to be lost."""
    drive = life.drive
    if box.is_off or drive is None or drive.presence is not Presence.HERE or drive.number is None:
        return False
    if manner.loses_power:
        drive.health.power_cycles += 1
        drive.health.unsafe_shutdowns += 1
    if life.port.hot_plug and manner.silent and manner.comes_back is not Return.RESET:
        _pull(box, life, drive)
    else:
        _fail(box, drive, manner)
    match manner.comes_back:
        case Return.RESET:
            _reset(box, life, drive, manner)
        case Return.REPLUG:
            _let_go(box, life, drive, silent=manner.silent)
            box.at(box.now + manner.away_seconds, lambda: _find_again(box, life, drive))
        case Return.REBOOT | Return.POWER:
            _let_go(box, life, drive, silent=manner.silent)
            needs_power = manner.comes_back is Return.POWER
            box.at(box.now + manner.away_seconds, lambda: _restart(box, drive, needs_power=needs_power))
    box.changed()
    return True


def _fail(box: RunningBox, drive: Drive, manner: Manner) -> None:
    """The driver notices: by commands that time out, or by what the controller's status reads."""
    number = drive.number or 0
    words, address = box.words, drive.address
    if manner.only_times_out or not manner.silent:
        box.say(words.timed_out(number, address, queue=2, tag=91, action="aborting"))
    if manner.only_times_out:
        box.say(words.timed_out(number, address, queue=2, tag=91, action="reset controller"), later=0.5)
        return
    csts = _ALL_ONES if manner.silent else 0x3
    status = 0xFFFF if manner.silent and manner.config_space_gone else 0x10
    box.say(words.controller_down(number, address, csts=csts, pci_status=status), later=0.2)


def _pull(box: RunningBox, life: Life, drive: Drive) -> None:
    """The hot-plug driver sees the link go."""
    box.say_slot(life.port, "Link Down", "Card not present")
    if box.draw.random() < 0.5:
        box.say(box.words.controller_down(drive.number or 0, drive.address, pci_status=0xFFFF), later=0.1)


def _reset(box: RunningBox, life: Life, drive: Drive, manner: Manner) -> None:
    drive.state = "resetting"
    number = drive.number or 0

    def ready() -> None:
        if drive.state == "resetting" and not box.is_off:
            drive.state = "live"
            box.say(box.words.came_back(number, drive.address, fresh=False))
            box.changed()
            box.set_errors(life)

    box.at(box.now + manner.away_seconds, ready)


def _let_go(box: RunningBox, life: Life, drive: Drive, *, silent: bool) -> None:
    """The driver gives up; where the port has hot plug, the function goes too."""
    number, controller = drive.number or 0, f"{drive.sysfs_path}/nvme/nvme{drive.number}"
    if not (life.port.hot_plug and silent):
        box.say(box.words.not_ready(number, drive.address) if not silent else [], later=0.6)
        box.say(box.words.given_up(number, drive.address, silent=silent), later=0.8)
    box.device_event("remove", f"{controller}/nvme{number}n1", "block", devname=f"nvme{number}n1", devtype="disk")
    box.device_event("remove", controller, "nvme", devname=f"nvme{number}")
    if life.port.hot_plug and silent:
        box.device_event("remove", drive.sysfs_path, "pci")
        drive.presence = Presence.AWAY
    else:
        drive.presence = Presence.DEAD if silent else Presence.UNBOUND
    drive.number = None
    life.load = 0.0


def _find_again(box: RunningBox, life: Life, drive: Drive) -> None:
    """The kernel finds it again: by the port's own word, or because the owner asked for the bus to be looked over."""
    if box.is_off or drive.presence is Presence.HERE:
        return
    if drive.presence in (Presence.DEAD, Presence.UNBOUND):
        box.device_event("remove", drive.sysfs_path, "pci")
    elif life.port.hot_plug:
        box.say_slot(life.port, "Card present", "Link Up")
    drive.presence = Presence.HERE
    drive.state = "live"
    drive.counters.clear()
    drive.stat = [0] * 11
    life.idle_since = box.now
    box.box.state()  # gives it a number
    number, controller = drive.number or 0, f"{drive.sysfs_path}/nvme/nvme{drive.number}"
    box.say(box.words.came_back(number, drive.address, fresh=True), later=0.1)
    box.device_event("add", drive.sysfs_path, "pci")
    box.device_event("add", controller, "nvme", devname=f"nvme{number}")
    box.device_event("add", f"{controller}/nvme{number}n1", "block", devname=f"nvme{number}n1", devtype="disk")
    box.changed()
    if box.view.around_events:
        box.at(box.now + 15.0, box.frame)


def _restart(box: RunningBox, drive: Drive, *, needs_power: bool) -> None:
    """The owner starts the machine again; where that is not enough, an hour later with the power off in between."""
    if box.is_off or drive.presence is Presence.HERE:
        return
    if not needs_power:
        box.shut_down(seconds=box.draw.uniform(60, 200))
        return
    if box.draw.random() < 0.5:  # tries a plain restart first
        box.shut_down(seconds=90.0)
        box.stays_away.add(drive.serial)
        box.at(box.now + box.draw.uniform(1800, 7200), lambda: _take_power(box, drive))
    else:
        _take_power(box, drive)


def _take_power(box: RunningBox, drive: Drive) -> None:
    box.stays_away.discard(drive.serial)
    drive.health.unsafe_shutdowns += 1  # it got no word that the power would go
    box.shut_down(seconds=box.draw.uniform(120, 600), power_off=True)
