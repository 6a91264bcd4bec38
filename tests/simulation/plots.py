"""Plots: what goes wrong in a world of each kind, when, and what its owner does about it."""

import random
from collections.abc import Callable
from itertools import pairwise

from simulation.families import Family
from simulation.faults import (
    HOUR,
    ClockFault,
    DriveFault,
    Fault,
    HeatFault,
    IdleFault,
    PathFault,
    SettingFault,
    SupplyFault,
    draw_manners,
)
from simulation.hardware import Presence
from simulation.loads import DAY, SLOT_SECONDS, SLOTS_A_DAY, Habit
from simulation.running_box import Life, RunningBox
from simulation.upkeep import are_alike, swap_drives
from support.unread_answers import known

Plot = Callable[[RunningBox, random.Random, Family, float, float], Fault]
"""Box, chance, family, when it begins, when the story ends -> the fault."""


def suits(kind: str, habit: Habit) -> bool:
    """Whether a box with a habit can show a fault: one that never rests cannot fail to wake."""
    return habit.background_mb_s == 0 or kind not in ("power-management", "two-at-once")


def plan(kind: str, box: RunningBox, draw: random.Random, family: Family, until: float) -> tuple[Fault, ...]:
    """Plan what goes wrong in a world: `kind` is ``healthy``, a key of `PLOTS`, or ``two-at-once``."""
    if kind == "healthy":
        return ()
    length = until - box.now
    causes = [kind]
    if kind == "two-at-once":
        causes = draw.sample(["signal-path", "power-management", "heat", "drive-failing", "drive-firmware"], 2)
    faults: list[Fault] = []
    for cause in causes:
        began = box.now + draw.uniform(0.15, 0.4) * length
        for _ in range(20):  # another position than the first fault's
            fault = PLOTS[cause](box, draw, family, began, until)
            if not any(other.concerns(life) and fault.concerns(life) for other in faults for life in box.lives):
                break
        faults.append(fault)
    return tuple(faults)


def _some_life(box: RunningBox, draw: random.Random) -> Life:
    return draw.choice([life for life in box.lives if life.drive is not None and life.share >= 0.4])


def _path(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:
    life = _some_life(box, draw)
    fault = PathFault(
        port=life.port,
        began_at=began,
        errors_an_hour=family.within(draw, family.path_errors),
        doubling_days=family.within(draw, family.path_doubling_days) * min(1.0, (until - began) / DAY / 40),
        drops_an_hour=family.within(draw, family.path_drops) * draw.choice((0, 1, 1)),
        retrains_a_day=draw.choice((0.0, 0.0, 0.25)),
        short_boots=draw.choice((0.0, 0.0, 0.5)),
        heat_per_celsius=draw.uniform(0.0, 0.08),
        manners=draw_manners(draw, "signal-path"),
    )
    _maybe_swap(box, draw, fault, began, until)
    return fault


def _idle(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:
    life = _some_life(box, draw)
    wakes = _wakes_a_day(box, life)
    fault = IdleFault(
        serial=known(life.drive).serial,
        began_at=began,
        chance=min(0.6, family.within(draw, family.idle_drops_a_day) / wakes),
        manners=draw_manners(draw, "power-management"),
    )
    if draw.random() < 0.4:
        box.when_on(
            began + draw.uniform(0.55, 0.75) * (until - began), lambda: switch_idle_off(box, fault, seconds=120)
        )
    else:
        _maybe_swap(box, draw, fault, began, until)
    return fault


def _wakes_a_day(box: RunningBox, life: Life) -> float:
    """Count how often rest ends, over ten days of the box's habit."""
    loads = [box.loads.at(box.now + slot * SLOT_SECONDS, life.share) for slot in range(10 * SLOTS_A_DAY)]
    wakes = sum(before == 0 and after > 0 for before, after in pairwise(loads))
    return max(1.0, wakes / 10)


def switch_idle_off(box: RunningBox, fault: Fault, *, seconds: float) -> None:
    """The owner switches the drives' idle states off, which a restart of so many seconds does."""
    box.box.command_line += " nvme_core.default_ps_max_latency_us=0"
    box.box.nvme_latency_us = 0
    for life in box.lives:
        if life.drive is not None:
            life.drive.transitions_enabled, life.drive.latency_tolerance = False, "0"
    fault.cured_at = box.now
    box.shut_down(seconds=seconds)


def _heat(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:  # noqa: ARG001 (a plot's form)
    life = _some_life(box, draw)
    # Room, the drive's own warmth and its load bring it to about 48 degrees.
    degrees = known(life.drive).warning_celsius - 48 + family.within(draw, family.heat_over)
    return HeatFault(
        port=life.port,
        began_at=began,
        degrees=degrees,
        grows_days=draw.uniform(0.1, 8.0),
        drops_an_hour=draw.choice((0.0, 0.15, 0.6)),
        manners=draw_manners(draw, "heat"),
    )


def _drive(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:
    life = _some_life(box, draw)
    fault = DriveFault(
        serial=known(life.drive).serial,
        began_at=began,
        errors_by_day=family.within(draw, family.media_errors),
        horizon_days=min(30.0, 0.6 * (until - began) / DAY),
        growth=family.within(draw, family.media_growth),
        spare_errors=draw.choice((2, 5, 20)),
        drops_an_hour=draw.choice((0.0, 0.004, 0.02)) * max(1.0, 60 * DAY / (until - began)),
        manners=draw_manners(draw, "drive-failing"),
    )
    _maybe_swap(box, draw, fault, began, until)
    return fault


def _clock(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:
    drive = known(_some_life(box, draw).drive)
    revision = f"{drive.firmware[:2]}{draw.randint(90, 99)}"
    by_kernel = draw.random() < 0.25
    fault = ClockFault(
        serial=drive.serial,
        began_at=began,
        period_seconds=min(family.within(draw, family.clock_hours) * HOUR, (until - began) / 7),
        jitter=draw.uniform(0.001, 0.04),
        manners=draw_manners(draw, "drive-firmware"),
    )

    def update() -> None:
        if by_kernel:
            box.box.kernel = box.box.kernel.replace(".0-", ".1-", 1)
            box.shut_down(seconds=150)
        else:
            for other in box.lives:
                if other.drive and other.drive.model == drive.model:
                    other.drive.firmware = revision
            box.shut_down(seconds=200)

    box.when_on(began, update)
    return fault


def _supply(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:  # noqa: ARG001 (a plot's form)
    loses_power = draw.random() < 0.75  # else only an upstream part is lost
    manners = draw_manners(draw, "shared-supply")
    return SupplyFault(
        ports=[life.port for life in box.lives if "/01." in life.port.path],
        began_at=began,
        drops_an_hour=family.within(draw, family.supply_drops),
        manners=manners if loses_power else draw_manners(draw, "signal-path")[:1],
    )


def _setting(box: RunningBox, draw: random.Random, family: Family, began: float, until: float) -> Fault:  # noqa: ARG001 (a plot's form)
    life = _some_life(box, draw)
    best = min(life.port.generation, known(life.drive).generation)
    fault = SettingFault(port=life.port, began_at=began + 1, generation=max(1, best - draw.choice((1, 2))))

    def update() -> None:
        box.box.bios_version = f"2.{draw.randint(1, 40)}"
        box.box.bios_date = "11/20/2026"
        box.shut_down(seconds=300, power_off=True)

    box.when_on(began, update)
    return fault


def _maybe_swap(box: RunningBox, draw: random.Random, fault: Fault, began: float, until: float) -> None:
    """Some owners swap the drive with one of its kind, to see with which of the two the fault goes."""
    if draw.random() < 0.65:
        return

    def swap() -> None:
        mine = next((life for life in box.lives if fault.concerns(life)), None)
        if mine is None or mine.drive is None or box.is_off or mine.drive.presence is not Presence.HERE:
            return
        if others := [life for life in box.lives if life is not mine and are_alike(life, mine)]:
            swap_drives(box, mine, draw.choice(others))

    box.at(began + draw.uniform(0.4, 0.6) * (until - began), swap)


PLOTS: dict[str, Plot] = {
    "signal-path": _path,
    "power-management": _idle,
    "heat": _heat,
    "drive-failing": _drive,
    "drive-firmware": _clock,
    "shared-supply": _supply,
    "firmware-setting": _setting,
}
"""By cause."""

KINDS = ("healthy", *PLOTS, "two-at-once")
"""All kinds of world."""
