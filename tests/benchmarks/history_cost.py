"""What history costs: the database's size after a year of eight busy drives, and how fast a year is read back.

Run as ``python -m benchmarks.history_cost [DAYS [DRIVES]]`` with ``tests`` on the path (a year takes a quarter of an
hour). Drives are never idle: each pass moves all counters of load and wear, temperatures wander, one link
collects errors, the box is started anew every two weeks. Passes are a minute apart, as controllers are read; links are
read each quarter of a minute, which adds rows only where a link's counter moved.

Ends with status 1 where a figure is above its target: 8 MB a year for eight drives, 50 ms for a position's year (of
processor time, which other work on the machine hardly moves).
"""

import math
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from boxes.passes import Pass
from boxes.snapshot_box import A_MORNING, kelp_box, make_interface
from laneproof.findings import Change, Finding, FindingChange, Kind, Severity
from laneproof.history.events import Event
from laneproof.history.history import History
from laneproof.history.store import Store
from laneproof_collectors.snapshot import (
    AerCounters,
    BlockStatistics,
    Fan,
    NvmeController,
    PciFunction,
    PowerMeter,
    Snapshot,
    TemperatureReading,
    Thermal,
)
from support.unread_answers import known

TARGET_BYTES_A_YEAR = 8_000_000  # for eight drives
TARGET_READ_SECONDS = 0.050
PASS_SECONDS, DAY, BOOT_DAYS = 60.0, 86400.0, 14
TREND_NAMES = (
    "composite_temperature_celsius", "percentage_used", "available_spare_percent", "media_errors", "unsafe_shutdowns",
    "data_units_written", "written_bytes", "read_bytes", "trained_gt_s", "trained_lanes", "correctable_errors",
)  # fmt: skip


class BusyBox:
    """A box whose every reading moves."""

    def __init__(self, drives: int) -> None:
        self.draw = random.Random(7)
        box = kelp_box(drives).with_array("md0", tuple(f"nvme{number}n1" for number in range(drives)))
        interfaces = (make_interface("eno1"), make_interface("eno2"))
        self.base = replace(box.snapshot(), interfaces=interfaces, taken_at=A_MORNING)
        self.written = [10**12 * (number + 1) for number in range(drives)]
        self.heat = [40.0] * drives
        self.board_heat = [45.0] * 8
        self.errors = 0

    def snapshot(self, t: float, up: float, boot: int) -> Snapshot:
        if self.draw.random() < 0.02:
            self.errors += self.draw.randint(1, 3)
            self.base = replace(self.base, functions=self._with_errors())
        firmware = replace(known(self.base.firmware), boot_id=f"0b5e55ed-0000-4000-8000-{boot:012d}")
        if firmware != self.base.firmware:
            self.errors = 0
            self.base = replace(self.base, firmware=firmware, functions=self._with_errors())
        return replace(
            self.base,
            taken_at=t,
            up_seconds=up,
            controllers=tuple(self._drive(n, drive, t, up) for n, drive in enumerate(known(self.base.controllers))),
            thermal=self._thermal(t),
        )

    def _with_errors(self) -> tuple[PciFunction, ...]:
        noisy = {"RxErr": 0, "BadTLP": self.errors, "BadDLLP": self.errors // 2, "Timeout": self.errors // 3}
        quiet = dict.fromkeys(noisy, 0)
        return tuple(
            replace(one, aer=AerCounters(correctable=noisy if number < 2 else quiet, nonfatal=quiet, fatal=quiet))
            for number, one in enumerate(known(self.base.functions))
        )

    def _drive(self, number: int, one: NvmeController, t: float, up: float) -> NvmeController:
        self.written[number] += self.draw.randint(10**7, 10**9)
        daily = 4.0 * math.sin(t / DAY * 2 * math.pi)
        self.heat[number] += self.draw.gauss(0, 0.4) + 0.02 * (40 + daily - self.heat[number])
        written, heat = self.written[number], float(round(self.heat[number]))
        health = replace(
            known(one.health),
            composite_temperature_celsius=heat,
            sensor_celsius={1: heat, 2: heat + 6.0},
            data_units_written=written // 512_000,
            data_units_read=written // 256_000,
            host_write_commands=written // 65_536,
            host_read_commands=written // 32_768,
            controller_busy_minutes=int(t / 120),
            power_on_hours=int(t / 3600),
        )
        load = BlockStatistics(
            reads=written // 30_000, read_bytes=written * 2, read_milliseconds=written // 900_000,
            writes=written // 60_000, written_bytes=written, write_milliseconds=written // 500_000,
            busy_milliseconds=int(up * 200),
        )  # fmt: skip
        space = replace(one.namespaces[0], statistics=load)
        return replace(one, health=health, namespaces=(space,))

    def _thermal(self, t: float) -> Thermal:
        self.board_heat = [celsius + self.draw.gauss(0, 0.8) + 0.05 * (45 - celsius) for celsius in self.board_heat]
        return Thermal(
            temperatures=tuple(
                ("board", TemperatureReading(label=f"sensor {number}", celsius=round(one, 1)))
                for number, one in enumerate(self.board_heat)
            ),
            fans=tuple(
                Fan(
                    chip="board",
                    label=f"fan {number}",
                    rpm=1200 + self.draw.randint(-20, 20),
                    minimum_rpm=None,
                    alarm=None,
                )
                for number in range(2)
            ),
            power=(PowerMeter(name="input", watts=60 + 5 * math.sin(t / 5000)),),
        )


def live(days: int, drives: int) -> Iterator[Pass | Event]:
    """Give all passes of some days, and an event now and then."""
    box = BusyBox(drives)
    finding = Finding(
        rule="signal-errors", kind=Kind.SIGN, severity=Severity.NOTICE, position="riser-1", subject="0000:00:01.1",
        summary="riser-1 counts more errors than its siblings", evidence={"errors": 12, "siblings": 0},
        next_steps=("reseat the drive with the box switched off", "swap the cable with a sibling's"), since=A_MORNING,
    )  # fmt: skip
    standing = False
    for number in range(int(days * DAY / PASS_SECONDS)):
        t = A_MORNING + number * PASS_SECONDS
        boot, into = divmod(number * PASS_SECONDS, BOOT_DAYS * DAY)
        changes: tuple[FindingChange, ...] = ()
        if box.draw.random() < 1 / 20_000:
            standing = not standing
            changes = (FindingChange(at=t, change=Change.RAISED if standing else Change.CLEARED, finding=finding),)
        if box.draw.random() < 1 / 400:
            text = f"pcieport 0000:00:01.1: AER: Correctable error message received from 0000:01:00.0 ({number})"
            yield Event(t=t, kind="aer_correctable", text=text, path="0000:00/01.1", device="0000:01:00.0")
        snapshot = box.snapshot(t, into + 120, int(boot))
        yield Pass(snapshot=snapshot, findings=(finding,) if standing else (), changes=changes)


def main(days: int = 365, drives: int = 8) -> int:
    """Simulate, measure, print."""
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/history.db"
        store = Store.open(path)
        spent: list[float] = []
        for event_or_pass in live(days, drives):
            begun = time.perf_counter()
            if isinstance(event_or_pass, Event):
                store.add_events((event_or_pass,))
            else:
                store.add_pass(event_or_pass)
                spent.append(time.perf_counter() - begun)
        store.close()
        size = Path(path).stat().st_size
        reads = []
        for _ in range(7):
            begun = time.process_time()
            history = History.open(path)
            found = history.read_series(path="0000:00/01.1", names=TREND_NAMES)
            reads.append(time.process_time() - begun)
            begun = time.process_time()
            (one_series,) = history.read_series(path="0000:00/01.1", names=("composite_temperature_celsius",))
            single = time.process_time() - begun
            history.close()
        show_tables(path)
    spent.sort()
    print(f"{days} days of {drives} drives: {size / 1e6:.2f} MB, {size / drives / days:.0f} bytes a drive and day")
    print(
        f"keep: median {statistics.median(spent) * 1e3:.2f} ms, 99 % {spent[int(len(spent) * 0.99)] * 1e3:.2f} ms,"
        f" longest {spent[-1] * 1e3:.0f} ms"
    )
    points = sum(len(series.points) for series in found)
    print(f"a position's trend: {len(found)} series, {points} points in {min(reads) * 1e3:.1f} ms", end="; ")
    print(f"one series of {len(one_series.points)} points in {single * 1e3:.1f} ms")
    too_large = size > TARGET_BYTES_A_YEAR * drives / 8 * max(days / 365, 0.5)
    return int(too_large or min(reads) > TARGET_READ_SECONDS)


def show_tables(path: str) -> None:
    """Print what each table takes, where this SQLite can tell."""
    history = History.open(path)
    for table in ("samples", "passes", "hours", "days", "buckets", "series", "places", "events", "changes", "watches"):
        rows = history._ask(lambda one, table=table: one.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 (our names)
        try:
            taken = history._ask(
                lambda one, table=table: one.execute(
                    "SELECT sum(pgsize) FROM dbstat WHERE name IN (SELECT name FROM sqlite_schema WHERE tbl_name = ?)",
                    (table,),
                ).fetchone()[0]
            )
        except Exception:  # noqa: BLE001 (not in every build)
            taken = 0
        print(f"  {table:8} {rows:8} rows {taken / 1e3:8.0f} kB")
    history.close()


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
