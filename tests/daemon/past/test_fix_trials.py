"""Fixes on trial: which changes begin one, how long it must stay clean, and how it ends."""

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story, counting_box
from boxes.snapshot_box import Box
from laneproof.evidence.fix_trial import TrialOutcome
from laneproof.past.changes import NotedChange
from laneproof.past.episodes import Episode
from laneproof.past.fix_trials import EPISODES, ERRORS, Trial, TrialBook, is_cure
from laneproof.past.link_errors import LinkRecord
from laneproof_collectors.snapshot import AutonomousTransitions
from support.unread_answers import known

PATH = PATHS[0]
DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


def change(what: str, before: str, after: str) -> NotedChange:
    return NotedChange(at=0.0, what=what, before=before, after=after, path=PATH)


@pytest.mark.parametrize(
    ("noted", "expected"),
    [
        (change("idle-states", "on", "off"), True),
        (change("idle-states", "off", "on"), False),
        (change("link-cap", "generation 4", "generation 3"), True),
        (change("link-cap", "generation 3", "generation 4"), False),
        (change("link-cap", "16 GT/s (generation 4)", "8 GT/s (generation 3)"), True),
        (change("link-cap", "8 GT/s (generation 3)", "16 GT/s (generation 4)"), False),
        (change("parts", "flexible-cable", "nothing"), True),
        (change("drive-firmware", "2.1", "2.2"), True),
        (change("kernel", "6.1", "6.2"), False),
        (change("occupant", "FN1", "FN2"), False),
    ],
)
def test_what_may_be_a_cure(noted: NotedChange, expected: bool) -> None:
    assert is_cure(noted) is expected


def lost(*days: float) -> list[Episode]:
    return [
        Episode(number=n, path=PATH, dropped_at=day * DAY, started=day * DAY, ended=day * DAY, boot=1, dropped=True)
        for n, day in enumerate(days)
    ]


def begin(book: TrialBook, *days: float, now: float) -> Trial | None:
    return book.begin(change("idle-states", "on", "off"), lost(*days), [], now=now * DAY, watched_since=0.0)


@pytest.mark.parametrize(
    ("what", "returned_boot", "minutes", "on_trial"),
    [
        ("drive-firmware", 1, 10.0, False),  # it came back with the firmware that it keeps for such times
        ("idle-states", 1, 2.0, False),
        ("link-cap", 1, 2.0, False),  # the kernel holds a port down whose link did not train (drivers/pci/quirks.c)
        ("drive-firmware", 1, 10.1, True),
        ("drive-firmware", 2, 2.0, True),  # there was a restart, and whoever made it may have done more
        ("parts", 1, 2.0, True),  # the owner's own word
    ],
)
def test_what_changed_as_a_drive_came_back_by_itself_is_nobodys_fix(
    what: str,
    returned_boot: int,
    minutes: float,
    on_trial: bool,
) -> None:
    (episode,) = lost(10.0)
    episode.returned_at, episode.returned_boot = 10.0 * DAY + 60.0, returned_boot
    seen = change(what, "8 GT/s", "2.5 GT/s") if what == "link-cap" else change(what, "on", "off")
    now = episode.returned_at + minutes * 60.0
    assert (TrialBook().begin(seen, [episode], [], now=now, watched_since=0.0) is not None) is on_trial


def test_without_trouble_before_there_is_nothing_to_cure() -> None:
    assert begin(TrialBook(), now=30) is None
    assert begin(TrialBook(), 1.0, now=61) is not None
    assert begin(TrialBook(), 1.0, now=62) is None  # and what is long past needs no cure either


def test_the_clean_time_is_that_of_the_published_case() -> None:
    # Four events in ten days: 9.46 days at 95 % (negative binomial, Jeffreys' prior; computed with scipy)
    book = TrialBook()
    trial = known(begin(book, 52.5, 55.0, 57.5, 60.0, now=60.0))
    assert (trial.events_before, trial.seconds_before) == (4, pytest.approx(10 * DAY))
    book.review(trial, events=0, now=61.0 * DAY)
    assert trial.needed_seconds / DAY == pytest.approx(9.46, abs=0.005)
    assert trial.remaining_seconds(61.0 * DAY) / DAY == pytest.approx(8.46, abs=0.005)
    assert trial.outcome == TrialOutcome.COUNTING
    book.review(trial, events=0, now=69.4 * DAY)
    assert trial.decided_at is None
    book.review(trial, events=0, now=69.5 * DAY)
    assert trial.outcome == TrialOutcome.CURED
    assert book.open() == []


def test_another_event_means_that_it_was_not_the_cure() -> None:
    book = TrialBook()
    trial = known(begin(book, 52.5, 55.0, 57.5, 60.0, now=60.0))
    book.review(trial, events=1, now=62.0 * DAY)
    assert trial.outcome == TrialOutcome.NOT_CURED


def test_a_lone_event_needs_long() -> None:
    book = TrialBook()
    trial = known(begin(book, 30.0, now=31.0))
    assert trial.seconds_before == 15 * DAY
    book.review(trial, events=0, now=40.0 * DAY)
    assert trial.needed_seconds > 60 * DAY


def test_the_last_trial_of_a_position_is_found() -> None:
    book = TrialBook()
    begin(book, 50.0, 55.0, now=60.0)
    second = begin(book, 50.0, 55.0, 62.0, now=65.0)
    assert book.latest(PATH, None, EPISODES) is second
    assert book.latest(PATH, None, ERRORS) is None
    assert book.latest("elsewhere", None) is None


# --- through the ledger -----------------------------------------------------------------------------------------------


def box(path: str = PATH, *, idle: bool) -> Box:
    states = AutonomousTransitions(enabled=idle, transitions={0: (3, 500)})
    return Box().with_port(path).with_drive(path, serial="FN1", controller={"autonomous_transitions": states})


@pytest.mark.parametrize(("again", "outcome"), [((), TrialOutcome.CURED), ((DOWN,), TrialOutcome.NOT_CURED)])
def test_idle_states_switched_off_after_episodes_are_on_trial(again: tuple[str, ...], outcome: TrialOutcome) -> None:
    story = Story()
    for day in range(40):
        story.observe(box(idle=True), after=DAY, log=(DOWN,) if day in (20, 24, 29, 33, 38) else ())
    story.restart().observe(box(idle=False), after=HOUR)
    (trial,) = story.ledger.trials.trials
    assert (trial.what, trial.complaint, trial.events_before) == ("idle-states", EPISODES, 5)
    for _ in range(20):
        story.observe(box(idle=False), after=DAY, log=again)
    assert trial.outcome == outcome


def test_what_a_drive_did_in_its_position_before_is_to_be_cured_as_well() -> None:
    story = Story()
    for day in range(40):
        story.observe(box(PATHS[1], idle=True), after=DAY, log=(DOWN,) if day in (20, 24, 29) else ())
    story.restart().observe(box(PATH, idle=True), after=DAY)
    story.restart().observe(box(PATH, idle=False), after=HOUR)
    assert [(trial.path, trial.events_before) for trial in story.ledger.trials.trials] == [(PATH, 3)]


def test_a_lower_limit_after_many_errors_is_on_trial_for_the_errors() -> None:
    def errors(number: int, target: int | None = None) -> Box:
        made = counting_box((number, 0, 0, 0))
        made._nodes[PATH].target = target
        return made

    story = Story()
    for hour in range(100):
        story.observe(errors(3 * hour), after=HOUR)
    story.restart().observe(errors(0, target=3), after=HOUR)
    (trial,) = story.ledger.trials.trials
    assert (trial.what, trial.complaint, trial.serial) == ("link-cap", ERRORS, "FN0000")
    outcomes = []
    for _ in range(40):
        story.observe(errors(0, target=3), after=HOUR)
        outcomes.append(trial.outcome)
    assert (outcomes[0], outcomes[-1]) == (TrialOutcome.COUNTING, TrialOutcome.CURED)


@pytest.mark.parametrize("minutes", [(9, 10, 40), (40, 10, 9), (9, 10, 9), (9, 9, 9)])
def test_of_all_links_that_a_position_had_the_one_with_most_errors_is_to_be_cured(minutes: tuple[int, ...]) -> None:
    links = [LinkRecord(path=PATH, serial="FN1") for _ in minutes]
    for record, marked in zip(links, minutes, strict=True):
        record.series.open_row(22.9 * DAY).marked = 99  # before the last week
        row = record.series.open_row(23.1 * DAY)
        row.seconds, row.marked = DAY, marked
    trial = TrialBook().begin(change("idle-states", "on", "off"), [], links, now=30 * DAY, watched_since=0.0)
    before = None if trial is None else (trial.complaint, trial.events_before, trial.seconds_before)
    assert before == ((ERRORS, max(minutes), DAY) if max(minutes) >= 10 else None)


@pytest.mark.parametrize(
    ("after", "days", "outcome"),
    [
        (0, 0.2, "counting"),
        (1, 1.0, "cured"),
        (3, 0.5, "counting"),
        (6, 1.0, "not-cured"),
        (60, 20.0, "not-cured"),  # rarer for certain, and not five times
        (400, 40.0, "not-cured"),
    ],
)
def test_errors_must_become_five_times_rarer(after: int, days: float, outcome: str) -> None:
    book = TrialBook()
    trial = Trial(path=PATH, serial="FN1", what="parts", words="", began_at=0.0, complaint=ERRORS, events_before=70,
                  seconds_before=7 * DAY)  # fmt: skip
    book.trials.append(trial)
    book.review(trial, events=after, now=days * DAY)
    assert trial.outcome == outcome
    assert (trial.decided_at is None) is (outcome == "counting")
    assert book.latest(None, "FN1", ERRORS) is trial
    assert book.latest("elsewhere", "FN2") is None
