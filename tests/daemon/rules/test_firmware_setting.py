"""firmware-setting is decided from limits that changed with another BIOS, and from nothing else."""

from typing import Any

import pytest

from boxes.simulated_past import DAY, Story, past_of_boots
from boxes.snapshot_box import L1, Box
from laneproof.box.link_ends import Link
from laneproof.box.topology import topology_of
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.past import NO_PAST, Past
from laneproof.rules.firmware_setting import aspm_setting, firmware_setting
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

PATH = "0000:00/01.1"


def survey_box(box: Box) -> tuple[Snapshot, Link | None]:
    snapshot = box.snapshot()
    return snapshot, topology_of(snapshot).link_at(PATH)


def past(**limits: Any) -> Past:
    known = {"target_gt_s": 16.0, "capable_gt_s": 16.0, "capable_lanes": 4} | limits
    boots = (Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),)
    return past_of_boots(boots, {PATH: LinkLimits(boot_id="old", **known)})


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ({"target": 2}, "target rate is 5 GT/s (generation 2) and was 16 GT/s"),
        ({"gen": 3}, "port can do 8 GT/s (generation 3) and could do 16 GT/s"),
        ({"lanes": 2}, "port has x2 and had x4"),
        ({}, None),
        ({"gen": 5, "lanes": 8}, None),
    ],
)
def test_limit_that_fell(port: dict[str, int], words: str | None) -> None:
    snapshot, link = survey_box(Box().with_port(PATH, **port).with_drive(PATH))
    causes = firmware_setting(link, snapshot, past())
    assert bool(causes) == (words is not None)
    assert all(str(words) in " ".join(cause.because) for cause in causes)


def test_limits_that_were_not_known_decide_nothing() -> None:
    snapshot, link = survey_box(Box().with_port(PATH, gen=1, lanes=1).with_drive(PATH))
    assert firmware_setting(link, snapshot, past(target_gt_s=None, capable_gt_s=None, capable_lanes=None)) == ()
    assert firmware_setting(link, snapshot, NO_PAST) == ()
    assert firmware_setting(None, snapshot, past()) == ()


def test_bios_that_could_not_be_read_is_called_unknown() -> None:
    box = Box().with_port(PATH, lanes=2).with_drive(PATH).with_group(firmware=Unread("dmi", "denied"))
    snapshot, link = survey_box(box)
    (cause,) = firmware_setting(link, snapshot, past())
    assert cause.because[-1].endswith("now it is BIOS unknown")


@pytest.mark.parametrize(
    ("now", "then", "decided"), [(L1, 0, True), (L1, L1, False), (0, L1, False), (L1, None, False)]
)
def test_low_power_states_that_came_with_another_bios(now: int, then: int | None, decided: bool) -> None:
    snapshot, link = survey_box(Box().with_port(PATH, aspm=now).with_drive(PATH))
    assert bool(aspm_setting(link, snapshot, past(aspm_enabled=then))) == decided


def update(*generations: int, registers: bool = True, held: bool = False) -> tuple[Link | None, Snapshot, Past]:
    """A BIOS update before the third boot; the link came up at these generations, and its port may be held there."""
    story = Story()
    for number, generation in enumerate(generations):
        if number:
            story.restart(after=DAY)
        target = generation if held else None
        box = Box().with_port(PATH, trained=(generation, 4), target=target).with_drive(PATH)
        box.with_firmware(bios_version="1.30" if number < 2 else "1.40")
        story.observe(box if registers else box.without_registers(), after=60)
    assert story.last is not None
    return topology_of(story.last).link_at(PATH), story.last, story.past


def test_without_registers_a_link_lower_in_every_boot_since_an_update_is_likely_the_setting() -> None:
    (cause,) = firmware_setting(*update(4, 4, 3, 3, registers=False))
    assert cause.probability < 1.0
    assert "16 GT/s (generation 4) before and at 8 GT/s (generation 3) in every boot since" in cause.because[0]


@pytest.mark.parametrize("generations", [(4, 4, 4, 3), (4, 3, 3, 3), (4, 4, 4, 4)])
def test_a_link_that_is_not_lower_just_since_then_is_not(generations: tuple[int, ...]) -> None:
    assert firmware_setting(*update(*generations, registers=False)) == ()


def test_with_registers_that_show_no_limit_nothing_is_decided() -> None:
    assert firmware_setting(*update(4, 4, 3, 3)) == ()


def test_a_port_held_at_the_lowest_rate_some_boots_after_an_update_is_the_kernels_doing() -> None:
    assert firmware_setting(*update(4, 4, 4, 1, held=True)) == ()
