"""Errors that were counted once and are not any more."""

from boxes.simulated_past import counting_box, hiding_past, masked_box, quiet_snapshot
from boxes.snapshot_box import RISER_1, declare
from boxes.story_engine import DAY, Watcher
from laneproof.rules.links.errors_hidden import ERRORS_HIDDEN
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)


def test_counting_that_stopped_is_hidden_and_clears_when_it_goes_on() -> None:
    watcher = Watcher("errors-hidden", BUILD).observe(counting_box((0, 0, 0, 0)))
    watcher.observe(masked_box(), after=DAY)
    assert watcher.severity == "notice"
    watcher.observe(counting_box((0, 0, 0, 0)), after=DAY)
    assert watcher.standing == []


def test_what_never_counted_hides_nothing() -> None:
    assert Watcher("errors-hidden", BUILD).observe(masked_box()).observe(masked_box(), after=DAY).changes == []


def test_examples() -> None:
    check_examples(
        ERRORS_HIDDEN,
        RISER_1,
        example(quiet_snapshot()),
        example(masked_box(), "notice nvme0 | See what changed", past=hiding_past()),
    )
