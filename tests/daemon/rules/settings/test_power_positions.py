"""What is in force at a link and in a drive, by every witness."""

from dataclasses import replace

import pytest

from boxes.snapshot_box import L0S, L1, Box, declare, one_drive
from laneproof.box.placement import Arrangement
from laneproof.rules.settings.power_positions import Deviation, find_deviations, read_aspm, write_aspm
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Unread, if_read

PATH = "0000:00/01.1"
UNREAD = Unread("feature 0Ch of nvme0", "permission denied")


def function(*, privileged: bool = True, aspm: int = 0, **files: bool | Unread) -> PciFunction:
    box = Box().with_drive("0000:00/05.0", aspm=aspm)
    if not privileged:
        box.without_registers()
    (found,) = if_read(box.snapshot().functions)
    return replace(found, power=replace(found.power, link_states=files))


@pytest.mark.parametrize(
    ("found", "state"),
    [
        (function(aspm=0), 0),
        (function(aspm=L1), L1),
        (function(aspm=0, l1_aspm=True), L1),
        (function(aspm=0, l0s_aspm=True, l1_2_aspm=True), L0S | L1),
        (function(privileged=False, l1_aspm=False), 0),
        (function(privileged=False, l1_aspm=True), L1),
        (function(aspm=0, clkpm=True), 0),  # clock power management is no state of the link
    ],
)
def test_states_of_one_end(found: PciFunction, state: int) -> None:
    assert read_aspm(found) == state


@pytest.mark.parametrize(
    "found", [function(privileged=False), function(privileged=False, l0s_aspm=UNREAD, l1_aspm=False)]
)
def test_end_that_nothing_tells_of_is_unread(found: PciFunction) -> None:
    assert isinstance(read_aspm(found), Unread)


def test_function_without_a_link_has_no_states() -> None:
    assert read_aspm(replace(function(), express=None)) is None


@pytest.mark.parametrize(("bits", "text"), [(0, "off"), (L0S, "L0s"), (L1, "L1"), (L0S | L1, "L0s and L1")])
def test_states_in_words(bits: int, text: str) -> None:
    assert write_aspm(bits) == text


def deviations(kernel: str, box: Box) -> list[Deviation]:
    build = declare(f'kernel = {kernel}\nposition = [{{ label = "a", path = "{PATH}" }}]')
    assert build.kernel is not None
    (placement,) = Arrangement(build, box.snapshot()).placements
    return list(find_deviations(build.kernel, placement))


@pytest.mark.parametrize(
    ("tolerance", "differs"),
    [(100000, False), ("auto", False), (None, False), (0, True), ("any", True), (UNREAD, True)],
)
def test_limit_other_than_zero_is_compared_with_each_drives_own(
    tolerance: int | str | Unread | None, differs: bool
) -> None:
    box = one_drive(controller={"latency_tolerance_us": tolerance})
    assert bool(deviations("{ nvme_default_ps_max_latency_us = 100000 }", box)) == differs


def test_device_files_stand_in_for_a_port_that_was_not_read() -> None:
    box = one_drive().without_registers()
    assert deviations('{ links_aspm = "off" }', box) == []
    box.edit(f"{PATH}/00.0", lambda function: replace(function, power=replace(function.power, link_states={})))
    (found,) = deviations('{ links_aspm = "off" }', box)
    assert isinstance(found.observed, Unread)
