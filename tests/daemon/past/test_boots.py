"""Boots and links' limits: what another BIOS is, and what is kept from before it."""

import pytest

from boxes.simulated_past import DAY, Story
from boxes.snapshot_box import L1, Box
from laneproof.past.boots import Boot, is_other_bios

PATH = "0000:00/01.1"


def box(*, bios: str | None = "1.18", target: int | None = None, aspm: int = 0) -> Box:
    made = Box().with_port(PATH, target=target, aspm=aspm).with_drive(PATH)
    return made.with_firmware(bios_version=bios)


def boot(version: str | None, date: str | None = None) -> Boot:
    return Boot(boot_id="x", first_seen_at=0.0, bios_version=version, bios_date=date)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (boot("1.18"), boot("1.20"), True),
        (boot("1.18", "01/01/2026"), boot("1.18", "02/02/2026"), True),
        (boot("1.18"), boot("1.18"), False),
        (boot(None), boot("1.20"), False),  # what is not known is not another
    ],
)
def test_another_bios(first: Boot, second: Boot, expected: bool) -> None:
    assert is_other_bios(first, second) is expected


def test_limits_of_the_last_boot_with_another_bios_are_kept() -> None:
    story = Story().observe(box())
    story.restart(after=DAY).observe(box(bios="1.20", target=3, aspm=L1), after=60)
    earlier = story.ledger.boots.earlier_limits[PATH]
    assert (earlier.target_gt_s, earlier.aspm_enabled, earlier.trained_gt_s) == (16.0, 0, 16.0)
    assert story.ledger.boots.limits[PATH].target_gt_s == 8.0
    story.restart(after=DAY).observe(box(bios="1.20", target=3), after=60)
    assert story.ledger.boots.earlier_limits[PATH] == earlier  # a plain restart forgets nothing


def test_limits_with_the_same_bios_are_no_earlier_ones() -> None:
    story = Story().observe(box()).restart(after=DAY).observe(box(target=3), after=60)
    assert story.ledger.boots.earlier_limits == {}


def test_a_board_that_gives_its_version_late_keeps_the_limits_of_the_boot_before() -> None:
    story = Story().observe(box()).restart(after=DAY).observe(box(bios=None, target=3), after=60)
    assert story.ledger.boots.earlier_limits == {}
    begun = story.now
    story.observe(box(bios="1.20", target=3), after=60)
    assert story.ledger.boots.earlier_limits[PATH].target_gt_s == 16.0
    assert [boot.first_seen_at for boot in story.ledger.boots.boots][1:] == [begun]
    story.restart().observe(box(bios=None), after=60).observe(box(bios="1.20"), after=60)
    assert story.ledger.boots.earlier_limits[PATH].target_gt_s == 16.0  # the same again
    assert story.ledger.boots.limits_before == {}


def test_each_boot_is_kept_once() -> None:
    story = Story().observe(box()).observe(box(), after=60).restart().observe(box(), after=60)
    assert len(story.ledger.boots.boots) == 2


def test_old_boots_are_forgotten() -> None:
    story = Story()
    for _ in range(130):
        story.restart(after=DAY).observe(box(), after=60)
    assert len(story.ledger.boots.boots) == 120


def test_a_port_keeps_its_trained_rate_while_its_drive_is_away_within_a_boot_and_not_beyond() -> None:
    story = Story().observe(box()).observe(box().without(PATH), after=60)
    assert story.ledger.boots.limits[PATH].trained_gt_s == 16.0
    story.restart(after=DAY).observe(Box().with_port(PATH), after=60)
    assert story.ledger.boots.limits[PATH].trained_gt_s is None
