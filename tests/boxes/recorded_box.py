"""Recordings of tern-2, a box with one drive, whose link may lose lanes from one frame to the next."""

from collections.abc import Callable, Sequence
from pathlib import Path

from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame, parse_frames, parse_header
from simulation.box import RecordingWriter, SimulatedBox
from simulation.hardware import Drive, Port

START, DAY = 1_790_000_000.0, 86400.0  # 2026-09-21T14:13:20Z
BUILD = """
schema = 1
[box]
name = "tern-2"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", serial = "A1" }
"""

Turn = Callable[[SimulatedBox], None]


def make_box(drives: int = 1) -> SimulatedBox:
    return SimulatedBox(
        name="tern-2",
        ports=[Port(hop=f"01.{number}", drive=Drive(serial=f"A{number}")) for number in range(1, drives + 1)],
        extra_files={"/proc/self/mountinfo": "", "/proc/mdstat": "Personalities : \nunused devices: <none>\n"},
    )


def lay_array(box: SimulatedBox, *members: str, **files: str) -> None:
    """Lay out md0 as Documentation/admin-guide/md.rst has it: a mirror of two, with these disks in it."""
    md = {"array_state": "clean", "level": "raid1", "raid_disks": "2", "degraded": str(2 - len(members))}
    md |= {"sync_action": "idle", "sync_completed": "none", "mismatch_cnt": "0"} | files
    for slot, name in enumerate(members):
        md |= {f"dev-{name}/state": "in_sync", f"dev-{name}/slot": str(slot), f"dev-{name}/errors": "0"}
    box.extra_files = {f"/sys/block/md0/md/{name}": f"{text}\n" for name, text in md.items()}
    box.extra_files |= {"/sys/block/md0/size": "7814037168\n", "/proc/1/mountinfo": "", "/proc/self/mountinfo": ""}


def record_lines(box: SimulatedBox, *turns: Turn, every: float = 60.0) -> list[str]:
    """Record a box, a frame a turn; without one, one frame of the box as it stands."""
    writer = RecordingWriter(box)
    for number, turn in enumerate(turns or (stand,)):
        turn(box)
        writer.take(box, t=START + every * number, up=60.0 + every * number)
    return writer.lines


def record(file: Path, box: SimulatedBox, *turns: Turn, every: float = 60.0) -> str:
    """Write a recording of a box."""
    file.write_text("".join(f"{line}\n" for line in record_lines(box, *turns, every=every)))
    return str(file)


def stand(_box: SimulatedBox) -> None:
    """Change nothing."""


def put(drive: Drive | None, port: int = 1) -> Turn:
    """Give a turn after which this drive is in a port, the second without another word; None for no drive."""
    return lambda box: setattr(box.ports[port], "drive", drive)


def wire(lanes: int | None) -> Turn:
    """Give a turn after which the first port has so many lanes; None for all that it should have."""

    def turn(box: SimulatedBox) -> None:
        box.ports[0].wired_lanes = lanes

    return turn


class PassingTime(RecordedHost):
    """A recording for a live machine: each wait goes on to the next frame; after the last one only the clock moves."""

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:  # noqa: ARG002 (a host's own signature)
        if not self.advance():
            clock = self.clock()
            self.apply(Frame(t=clock.unix_seconds + seconds, up=clock.up_seconds + seconds))
        return False


def live_through(lines: Sequence[str]) -> PassingTime:
    """Put a recording in the place of a live machine, at its first frame."""
    host = PassingTime(parse_header(lines[0]), parse_frames(lines[1:]))
    host.advance()
    return host
