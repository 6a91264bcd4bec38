"""Writes kelp-1, the demo: the storage box of a shore station that archives hydrophone recordings. All invented.

Five months of its life: a frame or two a day, and a few around what happened. An update of the board's
firmware resets two links, one of which is put right; a drive falls off its bus after rests, until idle states are
switched off; a flexible cable goes bad; a drive finds its first bad blocks; one drive refuses to report its health.

Run as ``python -m simulation.kelp FOLDER`` with ``tests`` on the path; ``FOLDER`` gets ``kelp-1.jsonl.gz``. The same
input gives the same bytes, and a test holds the packaged file to it.
"""

import gzip
import json
import sys
from dataclasses import replace
from pathlib import Path

from simulation.box import SimulatedBox
from simulation.box_parts import Bond, MdArray, Module, NetworkCard
from simulation.faults import DriveFault, IdleFault, PathFault
from simulation.hardware import Drive, Port
from simulation.kernel_words import Words
from simulation.loads import HABITS, Climate, Loads
from simulation.losing import Manner, Return
from simulation.plots import switch_idle_off
from simulation.running_box import RunningBox
from simulation.views import View
from support.unread_answers import known

DAY, HOUR = 86400.0, 3600.0
START = 1_790_000_000.0  # by which loads and weather are drawn
EARLIER_SECONDS = 112 * DAY
"""The recording is dated so much earlier: from 2026-06-01, when the box was closed and put in its rack."""
END_DAY = 152
UPDATE_DAY = 33  # the board's firmware, and the visit at which a drive was moved to a flexible cable
TRIAL_DAY = 74  # idle states off, on trial
MOUNTED = {
    "/": ("nvme6n1", 500_107_862_016), "/srv/season": ("md0", 3 * 4_000_650_000_384),
    "/srv/archive-1": ("nvme4n1", 8_001_563_222_016), "/srv/archive-2": ("nvme5n1", 8_001_563_222_016),
}  # fmt: skip
"""Mount point -> disk and bytes."""
NIGHTLY = replace(HABITS["nightly"], backup_hours=3.0, scrub_every_days=30, pokes_a_day=3.0)


def make_box() -> SimulatedBox:
    """Build the box as its owner meant it, but for one kernel word that was forgotten."""
    riser = [
        Port(hop=f"01.{number}", path=f"0000:00/01.{number}", slot_number=10 + number, drive=_data_drive(number))
        for number in (1, 2, 3, 4)
    ]
    deck = [
        Port(hop="00.0", path="0000:00/02.1/00.0/00.0", slot_number=21, drive=_archive_drive("SW8T-5501")),
        Port(hop="04.0", path="0000:00/02.1/00.0/04.0", slot_number=22, drive=_archive_drive("SW8T-5502")),
        Port(hop="08.0", path="0000:00/02.1/00.0/08.0", slot_number=23),
    ]
    keyed = Drive(
        serial="ML500-0093", model="Marram Lite 500", capacity_bytes=500_107_862_016, generation=3, firmware="L7"
    )
    keyed.has_aer = False
    card = NetworkCard(names=("enp11s0f0", "enp11s0f1"))
    archive = MdArray(
        name="md0",
        serials=tuple(port.drive.serial for port in riser if port.drive),
        size_bytes=3 * 4_000_650_000_384,  # each member keeps a little for md's own data
    )
    return SimulatedBox(
        bios_version="1.18",
        bios_date="11/02/2025",
        aer_native=True,
        nvme_latency_us=100_000,
        ports=[
            *riser,
            Port(hop="02.1", path="0000:00/02.1", slot_number=2, switch=deck),
            Port(hop="02.4", path="0000:00/02.4", slot_number=4, generation=3, lanes=1, drive=keyed),
            Port(hop="02.5", path="0000:00/02.5", slot_number=5, card=card),
        ],
        arrays=[archive],
        bonds=[Bond(name="bond0", card=card)],
        extra_files={
            "/proc/1/mountinfo": "".join(
                f"{number} 1 259:{number} / {mount} rw,relatime - xfs /dev/{disk} rw\n"
                for number, (mount, (disk, _)) in enumerate(MOUNTED.items(), start=20)
            )
        },
        statvfs={
            mount: {"size_bytes": size, "free_bytes": size // 3, "available_bytes": size // 3}
            for mount, (_, size) in MOUNTED.items()
        },
        modules=tuple(
            Module(locator=locator, gibibytes=32, rated_mt_s=5600, configured_mt_s=5600)
            for locator in ("DIMM_A2", "DIMM_B2")
        ),
    )


def _data_drive(number: int) -> Drive:
    return Drive(serial=f"FP4K-26A-0{number}17", transitions_enabled=True, latency_tolerance="100000")


def _archive_drive(serial: str) -> Drive:
    return Drive(
        serial=serial, model="Skerry Works Cairn 8T", capacity_bytes=8_001_563_222_016, firmware="C204",
        transitions_enabled=True, latency_tolerance="100000",
    )  # fmt: skip


class Story:
    """What happens to the box, day by day."""

    def __init__(self) -> None:
        """Write the whole story on the box's agenda."""
        view = View(spacing_seconds=24 * HOUR, before_seconds=90.0, words=Words(version=(6, 1)))
        self.box = RunningBox(
            make_box(),
            view=view,
            loads=Loads(habit=NIGHTLY, seed=26),
            climate=Climate(mean_celsius=21.0, season_celsius=3.0),
            start=START,
        )
        for life in self.box.lives:
            life.base_errors_an_hour = 0.002
            life.share = {"0000:00/02.4": 0.02}.get(life.port.path, 0.3 if "/02.1/" in life.port.path else 1.0)
        by_path = {life.port.path: life for life in self.box.lives}
        self._riser_1, self._riser_2, self._riser_3, self._riser_4 = (by_path[f"0000:00/01.{n}"] for n in (1, 2, 3, 4))
        self._deck_1, self._deck_2 = (by_path[f"0000:00/02.1/00.0/0{n}.0"] for n in (0, 4))
        self._tell_of_the_update()
        self._tell_of_the_rests()
        self._tell_of_the_cable()
        self._tell_of_the_medium()
        self.box.begin_frames(START + 6 * HOUR)
        self.box.at(START + 80 * DAY, self._look_more_often)

    def _look_more_often(self) -> None:
        self.box.view = replace(self.box.view, spacing_seconds=12 * HOUR)

    def _tell_of_the_update(self) -> None:
        """The firmware update: two ports come back capped, one is put right three days later."""

        def update() -> None:
            box = self.box.box
            box.bios_version, box.bios_date = "1.20", "03/14/2026"
            box.chosen_policy = "default"
            self._riser_4.port.target_generation = 3
            self._riser_1.port.target_generation = 3
            self._riser_3.port.wired_lanes = 2  # the flexible cable carries only two
            known(self._deck_2.drive).refuses_health = 0x0006  # Internal Error (NVMe Base 2.0, generic command status)
            said = "Read NVMe SMART/Health Information failed: NVMe Status 0x06"  # smartctl 7.3, nvmeprint.cpp
            box.smartctl["nvme5"] = {"smartctl": {"messages": [{"string": said, "severity": "error"}]}}
            self.box.shut_down(seconds=2 * HOUR, power_off=True)

        def put_right() -> None:
            self._riser_1.port.target_generation = None
            self.box.shut_down(seconds=600.0)

        self.box.at(START + UPDATE_DAY * DAY + 3 * HOUR, update)
        self.box.at(START + (UPDATE_DAY + 3) * DAY, put_right)

    def _tell_of_the_rests(self) -> None:
        """riser-2 does not always wake; the kernel word that was forgotten is set, and the cure is on trial."""
        fault = IdleFault(
            serial=known(self._riser_2.drive).serial,
            began_at=START + 47 * DAY,
            chance=0.04,
            manners=(Manner(away_seconds=20.0, config_space_gone=False),),
        )
        self.box.influences.append(fault)
        trial = START + TRIAL_DAY * DAY + 10 * HOUR
        self.box.at(trial, lambda: switch_idle_off(self.box, fault, seconds=180.0))

    def _tell_of_the_cable(self) -> None:
        """The green tape's cable: errors under the nightly copy, more each week, then drops."""
        fault = PathFault(
            port=self._riser_3.port,
            began_at=START + 88 * DAY,
            errors_an_hour=4.0,
            doubling_days=8.0,
            drops_an_hour=0.0,
            manners=(Manner(comes_back=Return.RESET, away_seconds=25.0),),
        )
        self.box.influences.append(fault)
        for day, hour in ((118, 5.2), (126, 4.6), (133, 5.5), (139, 4.4), (147, 5.0)):
            # Three in the morning is the copy's hour.
            t = START - START % DAY + day * DAY + (hour - 1.5) * HOUR
            self.box.at(t - 600, lambda t=t: fault.strike(self.box, self._riser_3, t))

    def _tell_of_the_medium(self) -> None:
        """deck-1: the first bad blocks."""
        self.box.influences.append(
            DriveFault(
                serial=known(self._deck_1.drive).serial, began_at=START + 96 * DAY, errors_by_day=4.0,
                horizon_days=56.0, growth=1.6, spare_errors=3,
            )
        )  # fmt: skip


def write_kelp() -> list[str]:
    """Give the recording's lines: five months of a box's life."""
    story = Story()
    lines = list(story.box.run(START + END_DAY * DAY))
    story.box.frame()
    header, *frames = [*lines, *story.box.take_lines()]
    return [header, *map(_date_earlier, frames)]


def _date_earlier(line: str) -> str:
    frame = json.loads(line)
    return json.dumps(frame | {"t": round(frame["t"] - EARLIER_SECONDS, 3)}, separators=(",", ":"))


def pack(lines: list[str]) -> bytes:
    """Pack the lines the same way each time."""
    return gzip.compress("".join(f"{line}\n" for line in lines).encode(), mtime=0)


if __name__ == "__main__":
    Path(sys.argv[1], "kelp-1.jsonl.gz").write_bytes(pack(write_kelp()))
