"""``laneproof where``: from any name of a drive to the position that it is in."""

import argparse
import os
from collections.abc import Sequence

from laneproof.box.names import Position, UnknownNameError, find_drives
from laneproof.box.shown_positions import list_positions
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build, open_host
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.commands.whole_file import write_whole
from laneproof.declaration.build import Build
from laneproof.outputs.where_text import Finds, write_where
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.disks.locate import (
    LedKind,
    LocateLed,
    follow_name,
    read_disk_folders,
    read_locate_leds,
    read_names,
)
from laneproof_collectors.disks.whole_disks import read_whole_disks
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread


def run(arguments: argparse.Namespace) -> int:
    """Find the drive, and print where it is."""
    build = load_build(arguments.build, demo=arguments.demo)
    is_recording = arguments.demo or arguments.source is not None
    with open_host(arguments.source, demo=arguments.demo) as host:
        snapshot = read_snapshot(host)
        found = find_by_any_name(host, arguments.drive, build, snapshot)
        finds = _ask_for_more(host, found, is_recording=is_recording)
    if arguments.picture is not None:
        from laneproof.outputs.box_picture import Mark, draw_box

        marks = {position.path: Mark.HERE for position in found}
        write_whole(arguments.picture, draw_box(build, snapshot, marks))
    if arguments.json:
        from laneproof.outputs.where_json import as_json

        show_json(as_json(arguments.drive, found, finds))
    else:
        text = write_where(arguments.drive, found, finds, list_positions(build, snapshot), find_style())
        show(text)
    return 0


def find_by_any_name(host: Host, name: str, build: Build | None, snapshot: Snapshot) -> tuple[Position, ...]:
    """Find what a name stands for; where the name is a link under ``/dev``, the machine is asked where it leads.

    Raises:
        CommandError: Nothing has that name, or several things do (64); the tree could not be read (74).
    """
    if isinstance(snapshot.functions, Unread):
        raise CommandError(str(snapshot.functions), status=os.EX_IOERR)
    try:
        return find_drives(name, build, snapshot)
    except UnknownNameError as error:
        kernel_name = follow_name(host, name) if name.startswith("/dev/") else None
        if not isinstance(kernel_name, str):
            raise CommandError(str(error), status=os.EX_USAGE) from error
        disk = read_whole_disks(host, [kernel_name])[kernel_name]
        try:
            return find_drives(disk, build, snapshot)
        except UnknownNameError as second:
            message = f"{name} leads to {disk}, and {second}"
            raise CommandError(message, status=os.EX_USAGE) from second


def _ask_for_more(host: Host, found: Sequence[Position], *, is_recording: bool) -> Finds:
    disks = [disk for position in found if position.occupant for disk in position.occupant.disks]
    leds = read_locate_leds(host)
    names = read_names(host, disks)
    if is_recording and not leds:
        return Finds(names=names, leds=None)
    folders = read_disk_folders(host, disks)
    return Finds(names=names, leds={position.path: _choose_leds(position, leds, folders) for position in found})


def _choose_leds(position: Position, leds: Sequence[LocateLed], folders: dict[str, str]) -> tuple[LocateLed, ...]:
    """Choose the lights of a position: of its port or its drive, of its slot, of the bay that its disk is in."""
    port = position.link.port if position.link else None
    functions = [*(position.occupant.functions if position.occupant else ()), *([port] if port else [])]
    addresses = {function.address for function in functions}
    devices = {
        function.address.rpartition(".")[0] for function in (position.occupant.functions if position.occupant else ())
    }
    disks = [folders[disk] for disk in (position.occupant.disks if position.occupant else ()) if disk in folders]
    return tuple(
        led
        for led in leds
        if (led.kind is LedKind.PORT and led.belongs_to in addresses)
        or (led.kind is LedKind.SLOT and led.belongs_to in devices)
        or (led.kind is LedKind.ENCLOSURE and any(disk.startswith(f"{led.belongs_to}/") for disk in disks))
    )
