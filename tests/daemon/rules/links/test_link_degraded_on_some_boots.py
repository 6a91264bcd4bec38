"""Links that do not always reach what they can."""

import pytest

from boxes.link_box import PATH, trained
from boxes.simulated_past import training_past
from boxes.snapshot_box import GENERATION_4, Box, declare, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.rules.links.link_degraded_on_some_boots import LINK_DEGRADED_ON_SOME_BOOTS
from support.rule_examples import check_examples, example

BUILD = declare(GENERATION_4)


def boots(watcher: Watcher, *generations: int) -> Watcher:
    for generation in generations:
        watcher.restart(after=DAY).observe(trained(generation) if generation else Box().with_port(PATH), after=HOUR)
    return watcher


def test_one_short_boot_is_a_notice_once_it_is_over_and_the_second_an_alarm() -> None:
    watcher = boots(Watcher("link-degraded-on-some-boots", BUILD), 4, 4, 1)
    assert watcher.changes == []  # for the moment link-slow speaks
    boots(watcher, 4)
    assert watcher.severity == "notice"
    boots(watcher, 4, 4, 1, 4, 4)
    assert watcher.severity == "warning"
    (finding,) = watcher.standing
    assert (finding.evidence["short_boots"], finding.evidence["boots"]) == (2, 9)
    # Jeffreys' interval of 2 in 9 (published): 0.0493 to 0.5438
    assert finding.evidence["share_bounds"] == (0.0493, 0.5438)
    assert finding.evidence["clean_boots_to_show_below_5_percent"] == 59


@pytest.mark.parametrize(
    ("generations", "severity"),
    [
        ((4, 0, 4), "notice"),  # a boot without the drive is short too
        ((3, 3, 3, 3), None),  # always short: other rules' matter
        ((4, 4, 3, 3, 3), None),  # short since some boot and ever after: a change, and no lottery
    ],
)
def test_short_boots_count_between_good_ones(generations: tuple[int, ...], severity: str | None) -> None:
    assert boots(Watcher("link-degraded-on-some-boots", BUILD), *generations).severity == severity


def test_a_limit_that_the_firmware_set_for_a_while_is_no_short_boot() -> None:
    watcher = boots(Watcher("link-degraded-on-some-boots", BUILD), 4, 4)
    watcher.restart(after=DAY).observe(trained(3, target=3), after=HOUR)
    boots(watcher, 4, 4)
    assert watcher.changes == []


def test_a_boot_in_which_the_link_was_seen_only_at_rest_is_no_short_one() -> None:
    watcher, asleep = Watcher("link-degraded-on-some-boots", BUILD), one_drive(trained=(1, 4), asleep=True)
    for _ in range(3):
        boots(watcher, 4).restart(after=DAY).observe(asleep, after=HOUR).observe(asleep, after=HOUR)
    assert watcher.changes == []
    boots(watcher, 1, 4)  # awake and short, for once
    (finding,) = watcher.standing
    assert (finding.evidence["short_boots"], finding.evidence["boots"]) == (1, 5)


def test_twenty_good_boots_clear_it() -> None:
    watcher = boots(Watcher("link-degraded-on-some-boots", BUILD), 4, 1, 4)
    boots(watcher, *[4] * 18)
    assert watcher.standing
    boots(watcher, 4)
    assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        LINK_DEGRADED_ON_SOME_BOOTS,
        GENERATION_4,
        example(training_past((4,) * 9)),
        example(training_past((4, 4, 1, 4, 4, 4, 1, 4, 4)), "warning nvme0 | With the power off,"),
    )
