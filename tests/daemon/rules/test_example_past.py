"""The make-believe pasts are what they say: a box looked at many times, with its own time, boots and log."""

from laneproof.rules.example_past import DAY, HOUR, PATHS, Story, count, counting_box, dropping_past, say


def test_a_story_goes_on_in_its_own_time() -> None:
    story = Story().look(counting_box((0, 0, 0, 0))).look(counting_box((0, 0, 0, 0)), after=HOUR)
    assert story.ledger.now == story.now
    assert story.ledger.timeline.boots == 1
    story.restart(after=60).look(counting_box((0, 0, 0, 0)), after=HOUR)
    assert story.ledger.timeline.boots == 2
    assert story.ledger.timeline.watched_seconds == HOUR
    assert story.past.ledger is story.ledger
    assert len(story.past.boots) == 2


def test_counters_have_all_the_kernels_names() -> None:
    counters = count({"BadTLP": 2})
    assert isinstance(counters.correctable, dict)
    assert counters.correctable["BadTLP"] == 2
    assert sum(counters.correctable.values()) == 2


def test_harmless_lines_make_no_event() -> None:
    assert say("nvme nvme0: Shutdown timeout set to 10 seconds", up_seconds=1.0) is None
    assert say("nvme nvme0: I/O 7 QID 3 timeout, reset controller", up_seconds=1.0) is not None


def test_a_dropping_past_has_as_many_drops_as_days() -> None:
    past = dropping_past(days=(3, 9))
    drops = past.ledger.episodes.of_path(PATHS[0])
    assert len(drops) == 2
    assert round((drops[1].dropped_at - drops[0].dropped_at) / DAY) == 6
