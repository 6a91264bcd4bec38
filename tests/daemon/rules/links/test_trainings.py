"""Links whose training was watched."""

from boxes.simulated_past import Story
from boxes.snapshot_box import Box, declare
from laneproof.rules.links.trainings import watched_trainings, write_training

PATH = "0000:00/01.1"


def test_a_training_is_written_with_rate_and_lanes() -> None:
    assert write_training(8.0, 2) == "8 GT/s (generation 3) x2"


def test_a_position_is_reported_with_its_drive_though_the_drive_is_gone() -> None:
    story = Story()
    story.observe(Box().with_port(PATH).with_drive(PATH, serial="FN0001"))
    story.observe(Box().with_port(PATH), after=60.0)
    build = declare(f'position = [{{ label = "riser-1", path = "{PATH}" }}]')
    ((watched, record, position),) = watched_trainings(story.last_pass(build))
    assert (watched.name, watched.serial, watched.device) == ("riser-1", "FN0001", "nvme0")
    assert record.serial == "FN0001"
    assert position is not None
    assert position.path == PATH
