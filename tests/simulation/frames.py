"""Writes a running box as frames of a recording, cheaply: the whole state only where something came, went or changed.

Between such moments only counters and readings move, and those few files are laid out again by themselves.
"""

from collections.abc import Mapping
from typing import Any

from simulation.box import PATHS, SimulatedBox, find_changes, write_frame, write_header
from simulation.hardware import Drive, Presence
from simulation.pages import CORRECTABLE, aer_text
from simulation.sysfs_tree import describe_sleep, health_entry, thermometer_folder, thermometer_readings
from simulation.views import Counting, HealthView, View


class FrameWriter:
    """Gives a line a frame; a frame holds what changed since the one before."""

    def __init__(self, box: SimulatedBox, view: View) -> None:
        """Begin before the first frame."""
        self._box, self._view = box, view
        self._state: dict[str, dict[str, Any]] = {}
        self._boot_id = ""
        self._counted: dict[str, int] = {}

    def look_by(self, view: View) -> None:
        """Hide from now on what another view hides."""
        self._view = view

    def header(self) -> str:
        """Give the recording's first line."""
        return write_header(self._box)

    def frame(
        self,
        *,
        t: float,
        up: float,
        is_changed: bool,
        slept: float = 0.0,
        kmsg: tuple[str, ...] = (),
        uevents: tuple[Mapping[str, str], ...] = (),
    ) -> str:
        """Write one frame of the box as it stands.

        Args:
            t: Unix seconds by the box's clock.
            up: Seconds since boot.
            is_changed: Whether anything but counters and readings may have changed since the last frame.
            slept: How much of the time since boot the machine was suspended.
            kmsg: Records of the kernel log since the last frame.
            uevents: Device events since the last frame.
        """
        frame: dict[str, Any] = {"t": round(t, 3)}
        if self._view.up_told:
            frame["up"] = round(up, 3)
            if slept:
                frame["mono"] = round(up - slept, 3)
        if self._box.boot_id != self._boot_id:
            self._boot_id = frame["boot_id"] = self._box.boot_id
            self._state = {}
            is_changed = True
        if is_changed:
            before, self._state = self._state, self._look()
            frame |= find_changes(before, self._state)
        else:
            frame |= self._touch()
        if self._view.kernel_log and kmsg:
            frame["kmsg"] = kmsg
        if self._view.device_events and uevents:
            frame["uevents"] = uevents
        return write_frame(frame)

    def _look(self) -> dict[str, dict[str, Any]]:
        """Lay out the whole box, without what the view hides."""
        state = self._box.state() if self._view.has_states else self._pretend()
        self._counted = {}
        view = self._view
        for key in PATHS:
            state[key] = {path: value for path, value in state[key].items() if not view.hides(path)}
        for entries in state["nvme"].values():
            _hide_health(entries, view.health)
        return state

    def _pretend(self) -> dict[str, dict[str, Any]]:
        """Lay out the box as if no drive were lost."""
        drives = [port.drive for port in self._box.walk_ports() if port.drive]
        stand = [(drive.presence, drive.state) for drive in drives]
        for drive in drives:
            drive.presence, drive.state = Presence.HERE, "live"
        state = self._box.state()
        for drive, before in zip(drives, stand, strict=True):
            drive.presence, drive.state = before
        return state

    def _touch(self) -> dict[str, Any]:
        """Lay out only what moves by itself: error counters, disk statistics, health."""
        files: dict[str, str] = {}
        nvme: dict[str, dict[str, Any]] = {}
        for port in self._box.walk_ports():
            self._touch_counters(port.sysfs_path, port.counters, files, has_aer=port.has_aer)
            drive = port.drive
            if drive is not None and drive.presence is Presence.HERE and drive.number is not None:
                self._touch_counters(drive.sysfs_path, drive.counters, files, has_aer=drive.has_aer)
                self._touch_drive(drive, files, nvme)
        self._state["files"].update(files)
        return {"files": files, "nvme": nvme}

    def _touch_counters(
        self, sysfs_path: str, counters: Mapping[str, int], files: dict[str, str], *, has_aer: bool
    ) -> None:
        total = sum(counters.values())
        if has_aer and self._counted.get(sysfs_path, 0) != total:
            self._counted[sysfs_path] = total
            files[f"{sysfs_path}/aer_dev_correctable"] = aer_text(CORRECTABLE, "TOTAL_ERR_COR", counters)

    def _touch_drive(self, drive: Drive, files: dict[str, str], nvme: dict[str, dict[str, Any]]) -> None:
        name = f"nvme{drive.number}"
        if self._view.sleeping or drive.power_control == "auto":
            for file, value in describe_sleep(sleeps=drive.sleeps):
                if self._state["files"].get(f"{drive.sysfs_path}/{file}") != f"{value}\n":
                    files[f"{drive.sysfs_path}/{file}"] = f"{value}\n"
        if self._view.block_statistics:
            path = f"{drive.sysfs_path}/nvme/{name}/{name}n1/stat"
            text = " ".join(f"{count:8d}" for count in drive.stat) + "\n"
            if self._state["files"].get(path) != text:
                files[path] = text
        if self._box.thermometers:
            self._touch_thermometer(drive, files)
        if self._view.health is HealthView.LOG:
            held = self._state["nvme"][name]
            entry = health_entry(drive)
            if held["log:2"] != entry:
                held["log:2"] = entry
                nvme[name] = {"log:2": entry}

    def _touch_thermometer(self, drive: Drive, files: dict[str, str]) -> None:
        if drive.refuses_health is not None:
            return  # there is none
        for file, text in thermometer_readings(drive).items():
            path = f"{thermometer_folder(drive)}/{file}"
            if self._state["files"].get(path) != text:
                files[path] = text


def _hide_health(entries: dict[str, Any], health: HealthView) -> None:
    if health is HealthView.LOG:
        return
    for key in [*entries]:
        if health is HealthView.ABSENT:
            del entries[key]
        else:
            entries[key] = {"error": "EACCES"}


def apply_counting(box: SimulatedBox, counting: Counting) -> None:
    """Let only the ends count that a view has counting."""
    box.aer_native = box.aer_native and counting is not Counting.NONE
    for port in box.walk_ports():
        port.has_aer = counting in (Counting.BOTH, Counting.PORTS)
        if port.drive is not None:
            port.drive.has_aer = port.drive.has_aer and counting in (Counting.BOTH, Counting.DRIVES)
