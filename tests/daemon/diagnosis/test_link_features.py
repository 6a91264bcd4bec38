"""Features of a link at their limits: bursts, and what a limit explains."""

import pytest

from laneproof.rules.example_past import HOUR, Story, counting_box
from simulated_cases import features


def test_one_burst_is_not_more_than_siblings() -> None:
    story = Story()
    for hour in range(60):
        story.look(counting_box((50 if hour > 40 else 0, 0, 0, 0)), after=HOUR)
    assert features(story)["aer_above_siblings"] is False


@pytest.mark.parametrize(
    ("reported", "expected"),
    [
        ({"link-retrained-down": ()}, True),
        ({"link-slow": ("training",)}, True),
        ({"link-slow": ("target-speed",)}, None),  # a limit explains it
        ({}, False),
    ],
)
def test_a_link_below_its_plan(reported: dict[str, tuple[str, ...]], expected: bool | None) -> None:  # noqa: FBT001
    assert features(Story().look(counting_box((0, 0, 0, 0))), reported=reported)["link_below_expected"] is expected
