"""What a case shares with others: position, moment, model."""

import pytest

from boxes.feature_stories import SHARED_STORIES, check_stories
from boxes.simulated_cases import ABORTED, FAILED, RESET, dropping, features, lone
from boxes.simulated_past import DAY, HOUR, PATHS, Story, counting_box
from boxes.snapshot_box import Box


@pytest.mark.parametrize("feature", SHARED_STORIES)
def test_a_shared_feature_is_seen_absent_or_unknown(feature: str) -> None:
    check_stories(SHARED_STORIES, feature)


def test_drives_that_lose_their_power_between_the_same_passes_lost_it_together() -> None:
    def box(first: int, second: int) -> Box:
        made = lone(unsafe_shutdowns=first).with_port(PATHS[1])
        return made.with_drive(PATHS[1], serial="FN2", health={"unsafe_shutdowns": second})

    both = Story().observe(box(3, 5)).observe(box(4, 6), after=HOUR)
    assert features(both)["several_drives_together"] is True
    assert features(both)["drops_or_resets"] is True
    alone = Story().observe(box(3, 5)).observe(box(4, 5), after=HOUR)
    assert features(alone)["several_drives_together"] is False


def test_a_drive_of_the_model_whose_commands_were_taken_back_is_no_drive_that_drops_too() -> None:
    story = dropping([1.0])
    story.observe(counting_box((0, 0, 0, 0)), after=5 * HOUR, log=(ABORTED.replace("nvme0", "nvme1"),))
    assert features(story)["same_model_affected"] is False
    story.observe(counting_box((0, 0, 0, 0)), after=5 * HOUR, log=(RESET.replace("nvme0", "nvme1"),))
    assert features(story)["same_model_affected"] is not False


def models(*models: str) -> Box:
    """A drive of each model, in ports of one slot."""
    made = Box()
    for path, model, number in zip(PATHS, models, range(4), strict=False):
        made = made.with_port(path).with_drive(path, serial=f"FN{number}", model=model)
    return made


@pytest.mark.parametrize(
    ("drives", "shared", "model"),
    [
        (("one", "one", "one", "two"), None, True),  # all of a model, and a drive of another went on in the same slot
        (("one", "one", "one", "one"), True, None),  # nobody knows what they share: a fourth of the model went on
        (("one", "one", "two", "one"), True, None),  # one of another model dropped with them
    ],
)
def test_drives_of_one_model_that_hang_together_share_their_firmware_not_a_supply(
    drives: tuple[str, ...],
    shared: bool | None,
    model: bool | None,
) -> None:
    story = Story().observe(models(*drives))
    lines = tuple(FAILED.replace("nvme0", f"nvme{number}") for number in range(3))
    for _ in range(2):
        story.observe(models(*drives), after=DAY, log=lines)
    answers = features(story)
    assert answers["several_drives_together"] is shared
    assert answers["same_model_affected"] is model or model is None
