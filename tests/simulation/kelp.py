"""Writes kelp-1, the demo: the storage box of a shore station that archives hydrophone recordings. All invented.

Run as ``python -m simulation.kelp FOLDER`` with ``tests`` on the path; ``FOLDER`` gets ``kelp-1.jsonl.gz``. The same
input gives the same bytes, and a test holds the packaged file to it.
"""

import gzip
import sys
from pathlib import Path

from simulation.box import Drive, Port, RecordingWriter, SimulatedBox

START = 1_790_000_000.0  # 2026-09-21, when the box was closed and put in its rack
DAY = 86400.0


def make_box() -> SimulatedBox:
    """Build the box as its owner meant it."""
    riser = [
        Port(hop=f"01.{number}", slot_number=10 + number, drive=Drive(serial=f"FP4K-26A-0{number}17"))
        for number in (1, 2, 3, 4)
    ]
    deck = [
        Port(hop="00.0", slot_number=21, drive=_archive_drive("SW8T-5501")),
        Port(hop="04.0", slot_number=22, drive=_archive_drive("SW8T-5502")),
        Port(hop="08.0", slot_number=23),
    ]
    keyed = Drive(
        serial="ML500-0093", model="Marram Lite 500", capacity_bytes=500_107_862_016, generation=3, firmware="L7"
    )
    keyed.has_aer = False
    return SimulatedBox(
        bios_version="1.18",
        bios_date="11/02/2025",
        ports=[
            *riser,
            Port(hop="02.1", slot_number=2, switch=deck),
            Port(hop="02.4", slot_number=4, generation=3, lanes=1, drive=keyed),
        ],
    )


def _archive_drive(serial: str) -> Drive:
    return Drive(serial=serial, model="Skerry Works Cairn 8T", capacity_bytes=8_001_563_222_016, firmware="C204")


def write_kelp() -> list[str]:
    """Give the recording's lines: the box as closed, and as it stands after a firmware update."""
    box = make_box()
    writer = RecordingWriter(box)
    writer.take(box, t=START, up=120.0)

    # A firmware update: the fourth branch of the riser came back capped at generation 3. In the same visit the third
    # drive was moved to a flexible cable, which carries only two lanes, and one drive began to refuse its health log.
    box.reboot()
    box.bios_version, box.bios_date = "1.20", "03/14/2026"
    box.ports[3].target_generation = 3
    box.ports[2].wired_lanes = 2
    refusing = (box.ports[4].switch or [])[1].drive
    if refusing is not None:
        refusing.refuses_health = 0x0006  # Internal Error (NVMe Base 2.0, generic command status)
    box.chosen_policy = "default"
    writer.take(box, t=START + 30 * DAY, up=95.0)
    return writer.lines


def pack(lines: list[str]) -> bytes:
    """Pack the lines the same way each time."""
    return gzip.compress("".join(f"{line}\n" for line in lines).encode(), mtime=0)


if __name__ == "__main__":
    Path(sys.argv[1], "kelp-1.jsonl.gz").write_bytes(pack(write_kelp()))
