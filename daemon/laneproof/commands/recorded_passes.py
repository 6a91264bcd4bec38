"""The one loop over a recording: frame after frame is read, judged at its own time, and kept where that is wanted."""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from laneproof.commands.errors import CommandError
from laneproof.engine import Engine, PassResult
from laneproof.history.store import Store
from laneproof_collectors.host import Clock
from laneproof_collectors.hotplug import DeviceEvent, read_device_events
from laneproof_collectors.kernel_log.reading import KernelEvents, read_kernel_events
from laneproof_collectors.recording import RecordedHost
from laneproof_collectors.replaying import ReplayReader
from laneproof_collectors.unread import Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPass:
    """One frame, read and judged."""

    clock: Clock
    kernel: KernelEvents | Unread
    devices: tuple[DeviceEvent, ...] | Unread
    result: PassResult


def judge_frames(
    host: RecordedHost, engine: Engine, name: str, *, may_be_empty: bool = False
) -> Iterator[RecordedPass]:
    """Judge every frame of a recording at its own time.

    Args:
        host: The recording, before its first frame; it stands at its last one afterwards.
        engine: Takes the passes in.
        name: The recording's name, for a complaint.
        may_be_empty: Whether a recording without a frame is fine: it ran to its end.

    Raises:
        CommandError: The recording has no frame (65).
    """
    reader, is_empty = ReplayReader(host), True
    while host.advance():
        kernel, devices = read_kernel_events(host), read_device_events(host)
        snapshot = reader.read()
        result = engine.observe(snapshot, kernel, devices, read_again=reader.read_again)
        yield RecordedPass(clock=host.clock(), kernel=kernel, devices=devices, result=result)
        is_empty = False
    if is_empty and not may_be_empty:
        raise CommandError(f"{name}: the recording has no frame", status=os.EX_DATAERR)


def keep_frame(frame: RecordedPass, store: Store) -> None:
    """Write one judged frame into a history, as the daemon writes a pass."""
    store.add_pass(frame.result)
    if not isinstance(frame.kernel, Unread):
        store.add_kernel_events(frame.kernel.events, frame.clock)
    if not isinstance(frame.devices, Unread):
        store.add_device_events(frame.devices, frame.clock)
