"""Whose signs are judged, under which name, and how times and counts are said."""

from boxes.simulated_past import DAY, HOUR, PATHS, Story, counting_box
from boxes.snapshot_box import DISPLAY, RISER_1, Box, declare
from laneproof.findings import Severity
from laneproof.past.past import Past
from laneproof.rules.drives.spare_low import SPARE_LOW
from laneproof.rules.sign_subjects import (
    make_sign,
    more_severe,
    say_seconds,
    say_times,
    standing_sign,
    watched_drives,
    watched_links,
)

BUILD = declare(RISER_1)


def box(serial: str = "FN1") -> Box:
    return Box().with_port(PATHS[0]).with_drive(PATHS[0], serial=serial).with_port(PATHS[1]).with_drive(PATHS[1])


def test_a_declared_position_lends_its_label_and_others_their_path() -> None:
    story = Story().observe(box())
    drives = {watched.path: watched.label for watched, _ in watched_drives(story.last_pass(BUILD))}
    assert drives == {PATHS[0]: "riser-1", PATHS[1]: None}


def test_a_drive_that_dropped_is_still_a_subject_and_keeps_its_name() -> None:
    story = Story().observe(box()).observe(box().without(PATHS[0]), after=HOUR)
    (gone,) = (watched for watched, _ in watched_drives(story.last_pass(BUILD)) if watched.path == PATHS[0])
    assert (gone.label, gone.serial, gone.device) == ("riser-1", "FN1", "nvme0")
    story.observe(box().without(PATHS[0]), after=40 * DAY)
    assert all(watched.path != PATHS[0] for watched, _ in watched_drives(story.last_pass(BUILD)))


def test_a_position_is_judged_with_the_drive_that_is_in_it_now() -> None:
    story = Story().observe(box("FN1")).restart().observe(box("FN2"), after=HOUR)
    (watched,) = (watched for watched, _ in watched_links(story.last_pass(BUILD)) if watched.path == PATHS[0])
    assert watched.serial == "FN2"


def test_a_sign_says_where_and_which_drive() -> None:
    story = Story().observe(box())
    watched, _ = next(watched_drives(story.last_pass(BUILD)))
    made = make_sign(SPARE_LOW, watched, severity=Severity.NOTICE, summary="s", observed="o", evidence={"n": 1})
    assert made.identity == ("spare-low", "riser-1") == watched.identify("spare-low")
    assert made.evidence == {"path": PATHS[0], "serial": "FN1", "n": 1}
    assert standing_sign(Past(standing={made.identity: made}), watched.identify("spare-low")) is made
    assert standing_sign(Past(), watched.identify("spare-low")) is None


def test_a_sign_grows_louder_and_not_quieter() -> None:
    assert more_severe(Severity.NOTICE, None) is Severity.NOTICE
    assert more_severe(Severity.NOTICE, Severity.CRITICAL) is Severity.CRITICAL
    assert more_severe(Severity.WARNING, Severity.NOTICE) is Severity.WARNING


def test_times_are_said_as_a_person_would() -> None:
    assert [say_seconds(seconds) for seconds in (30, 90, 3600, 5400, 86400, 10 * DAY)] == [
        "30 seconds", "2 minutes", "1 hour", "2 hours", "1 day", "10 days"
    ]  # fmt: skip
    assert say_times(1) == "1 time"
    assert say_times(3, "boot") == "3 boots"


def test_links_of_a_graphics_card_are_not_watched_and_those_of_a_drive_that_is_gone_are() -> None:
    story = Story()
    box = counting_box((0, 0, 0, 0)).with_port("0000:00/03.0").with_device("0000:00/03.0", class_code=DISPLAY)
    story.observe(box).observe(box.without(PATHS[0]), after=60.0)
    assert {watched.path for watched, _ in watched_links(story.last_pass())} == set(PATHS)
