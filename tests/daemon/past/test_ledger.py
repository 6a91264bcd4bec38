"""The ledger as a whole: kept over a restart without loss, bounded, quick, and unmoved by what is missing."""

import json
from dataclasses import replace

import pytest

from boxes.simulated_past import DAY, HOUR, PATHS, Story, counting_box
from boxes.snapshot_box import Box, declare, kelp_box, without_groups
from laneproof.past.fix_trials import ERRORS, Trial
from laneproof.past.ledger import Ledger
from laneproof.past.notes import Note, ProofNote
from laneproof.past.saved_state import SCHEMA
from laneproof_collectors.hotplug import device_events
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent, kernel_events
from laneproof_collectors.snapshot import GROUPS, Snapshot
from laneproof_collectors.unread import Unread
from support.unread_answers import known

DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
GAP = Unread("it", "the collector failed")


def eventful(story: Story, first: int, last: int) -> Story:
    for hour in range(first, last):
        log = (DOWN,) if hour % 50 == 7 else ()
        if hour % 100 == 99:
            story.restart()
        story.observe(counting_box((hour // 3, 0, hour // 40, 0)), after=HOUR, log=log)
    return story


def test_a_restart_of_the_program_loses_nothing() -> None:
    whole = eventful(Story(), 0, 400)
    half = eventful(Story(), 0, 200)
    half.ledger = Ledger.from_state(json.loads(json.dumps(half.ledger.as_state())))
    eventful(half, 200, 400)
    assert half.ledger.as_state() == whole.ledger.as_state()


def test_the_ring_read_again_after_a_restart_gives_nothing_twice() -> None:
    def news(*numbers: int) -> KernelEvents:
        records = tuple(f"4,{number},{number}000000000,-;{DOWN}" for number in numbers)
        return KernelEvents(kernel_events(records), 0, len(records))

    facts = replace(kelp_box().snapshot(taken_at=1_790_000_000.0), up_seconds=30_000.0)
    first = Ledger()
    first.update(facts, news(5, 12))
    assert len(first.episodes.episodes) == 2
    second = Ledger.from_state(first.as_state())
    later = replace(facts, taken_at=facts.taken_at + 10_000, up_seconds=40_000.0)
    second.update(later, news(5, 12, 35))
    assert len(second.episodes.episodes) == 3


def test_years_stay_small() -> None:
    story = Story()
    for day in range(800):
        if day % 9 == 0:
            story.restart()
        story.observe(counting_box((3 * day, day, 0, day // 3)), after=DAY, log=(DOWN,) if day % 11 == 0 else ())
    assert len(json.dumps(story.ledger.as_state())) < 400_000


def test_what_is_missing_adds_nothing_and_breaks_nothing() -> None:
    facts = kelp_box().snapshot()
    ledger = Ledger()
    ledger.update(facts)
    for group in ("functions", "controllers", "power", "firmware", "drives", "interfaces"):
        ledger.update(without_groups(facts, (group,), GAP), GAP, GAP)
    assert ledger.episodes.episodes == []
    assert ledger.changes.changes == []
    ledger.update(without_groups(facts, ("functions", "controllers", "firmware", "power"), GAP))
    ledger.update(facts)
    assert ledger.episodes.episodes == []
    assert ledger.timeline.boots == 1


def test_a_reading_that_is_not_new_adds_no_exposure() -> None:
    facts = replace(kelp_box().snapshot(taken_at=1_790_000_000.0), up_seconds=600.0)
    ledger = Ledger()
    ledger.update(facts)
    later = replace(facts, taken_at=facts.taken_at + 60, up_seconds=660.0)
    assert ledger.links.current[PATHS[0]] == "FN0001"
    assert ledger.boots.limits[PATHS[0]].target_gt_s == 16.0
    ledger.update(later, read_again=())
    assert [row.seconds for record in ledger.links.records.values() for row in record.series.rows] == []


def test_reports_of_passes_that_read_no_counter_are_added_up() -> None:
    report = "nvme 0000:01:00.0: PCIe Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)"
    facts = Box().with_port(PATHS[0]).with_drive(PATHS[0]).snapshot(taken_at=1_790_000_000.0)
    ledger = Ledger()
    for seconds, read_again in ((3600.0, GROUPS), (3660.0, ()), (3720.0, ()), (3780.0, GROUPS)):
        events = kernel_events([f"4,1,{round((seconds - 5.0) * 1e6)},-;{report}"]) if seconds > 3600.0 else ()
        ledger.update(
            replace(facts, taken_at=facts.taken_at + seconds, up_seconds=seconds), events, read_again=read_again
        )
    record = known(ledger.links.at(PATHS[0]))
    assert sum(row.errors for row in record.series.rows) == 3


def test_device_events_are_placed_by_the_kernels_own_path() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    (gone,) = device_events(
        [{"action": "remove", "devpath": "/devices/pci0000:00/0000:00:01.1/0000:01:00.0", "subsystem": "pci"}]
    )
    story.observe(counting_box((0, 0, 0, 0)).without(PATHS[0]), after=HOUR, devices=(gone,))
    assert [(episode.path, episode.asked) for episode in story.ledger.episodes.episodes] == [(PATHS[0], True)]


def test_the_owners_note_of_another_cable_begins_the_baseline_again_once() -> None:
    build = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"')
    note = Note(at=1_790_000_100.0, position="riser-1", text="shorter cable", what="adapter")
    ledger = Ledger()
    facts = replace(counting_box((0, 0, 0, 0)).snapshot(taken_at=1_790_000_200.0), up_seconds=600.0)
    ledger.update(facts, build=build)
    ledger.update(replace(facts, taken_at=facts.taken_at + 60, up_seconds=660.0), build=build, notes=(note,))
    record = known(ledger.links.at(PATHS[0]))
    steady = record.steady_since
    assert steady == facts.taken_at + 60
    ledger.update(replace(facts, taken_at=facts.taken_at + 120, up_seconds=720.0), build=build, notes=(note,))
    assert record.steady_since == steady


def test_results_are_remembered_as_long_as_nothing_moved() -> None:
    ledger, asked = Ledger(), []

    def compute() -> int:
        asked.append(1)
        return len(asked)

    assert [ledger.remember("a", 1, compute), ledger.remember("a", 1, compute)] == [1, 1]
    assert ledger.remember("a", 2, compute) == 2


def test_a_box_without_drives_is_a_box_too() -> None:
    ledger = Ledger()
    assert ledger.update(Box().snapshot()) == ()
    assert ledger.as_state()["schema"] == SCHEMA


# --- read back from the journal ---------------------------------------------------------------------------------------


def _told_before(up: float, line: str = DOWN, *, boot: str, t: float) -> TimedKernelEvent:
    (event,) = kernel_events([f"4,1,{round(up * 1e6)},-;{line}"])
    return replace(event, sequence=None, boot_id=boot.replace("-", ""), unix_seconds=t)


def _facts(boot: str, *, t: float, up: float, box: Box | None = None) -> Snapshot:
    facts = (box or counting_box((0, 0, 0, 0))).snapshot(taken_at=t)
    assert not isinstance(facts.firmware, Unread)
    return replace(facts, up_seconds=up, firmware=replace(facts.firmware, boot_id=boot))


FIRST, SECOND = "0b5e55ed-0000-4000-8000-000000000001", "0b5e55ed-0000-4000-8000-000000000002"
START = 1_790_000_000.0


def test_an_episode_that_only_the_journal_of_the_boot_before_reports_is_one_of_that_boot() -> None:
    ledger = Ledger()
    ledger.update(_facts(FIRST, t=START, up=5000.0))
    last_words = _told_before(5300.0, boot=FIRST, t=START + 300.0)
    ledger.update(_facts(SECOND, t=START + 900.0, up=120.0), (last_words,))
    (episode,) = ledger.episodes.episodes
    assert (episode.path, episode.serial, episode.boot) == (PATHS[0], "FN0000", 1)
    assert episode.dropped_at == START + 300.0
    assert episode.returned_boot == 2
    assert ledger.kernel_sequence == -1  # of this boot's records none was read


def test_a_name_in_the_journal_of_the_boot_before_is_read_as_it_was_then() -> None:
    ledger = Ledger()
    ledger.update(_facts(FIRST, t=START, up=5000.0))
    last_words = _told_before(5300.0, DOWN.replace("nvme0", "nvme1"), boot=FIRST, t=START + 300.0)
    now = _facts(SECOND, t=START + 900.0, up=120.0)
    assert isinstance(now.controllers, tuple)
    first, second, *rest = now.controllers  # in this boot the two were found the other way round
    swapped = replace(now, controllers=(replace(second, name="nvme0"), replace(first, name="nvme1"), *rest))
    ledger.update(swapped, (last_words,))
    assert [episode.path for episode in ledger.episodes.episodes] == [PATHS[1]]


def test_the_boot_befores_last_words_do_not_say_that_this_boots_log_is_heard() -> None:
    ledger = Ledger()
    ledger.update(_facts(FIRST, t=START, up=5000.0))
    ledger.update(_facts(SECOND, t=START + 900.0, up=120.0), (_told_before(5300.0, boot=FIRST, t=START + 300.0),))
    assert ledger.episodes.log_read_in_boot != ledger.timeline.boots


@pytest.mark.parametrize("stopped", [True, False, None])
def test_how_the_watch_before_a_boot_ended_is_kept(*, stopped: bool | None) -> None:
    first = Ledger()
    first.update(_facts(FIRST, t=START, up=5000.0))
    kept = first.as_state() | ({} if stopped is None else {"stopped": stopped})
    same, other = Ledger.from_state(kept), Ledger.from_state(kept)
    same.update(_facts(FIRST, t=START + 60.0, up=5060.0))
    other.update(_facts(SECOND, t=START + 900.0, up=120.0))
    assert (same.stops, same.boot_times) == ([], [START - 5000.0])
    assert other.stops == ([] if stopped is None else [(START + 780.0, stopped)])
    assert other.boot_times == [START - 5000.0, START + 780.0]
    assert same.stopped is other.stopped is None


# --- acceptance runs --------------------------------------------------------------------------------------------------


def errors_of(story: Story) -> tuple[int, int]:
    """Give the errors that count for the first link, and those that were set aside."""
    record = known(story.ledger.links.at(PATHS[0]))
    return sum(row.errors for row in record.series.rows), record.aside


def test_errors_of_an_acceptance_run_are_the_run_s_own_until_it_is_over() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0))).observe(counting_box((0, 0, 0, 0)), after=DAY)
    story.ledger.add_proof(ProofNote(at=story.now, until=story.now + 1800.0))
    story.observe(counting_box((40, 0, 0, 0)), after=600.0)
    story.ledger.add_proof(ProofNote(at=story.now))
    story.observe(counting_box((45, 0, 0, 0)), after=15.0)
    assert errors_of(story) == (0, 45)
    story.observe(counting_box((47, 0, 0, 0)), after=600.0)
    assert errors_of(story) == (2, 45)


def test_a_restart_of_the_machine_ends_a_run_that_had_not_ended() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    story.ledger.add_proof(ProofNote(at=story.now, until=story.now + 12 * 3600.0))
    story.restart().observe(counting_box((0, 0, 0, 0))).observe(counting_box((9, 0, 0, 0)), after=600.0)
    assert errors_of(story) == (9, 0)


@pytest.mark.parametrize(("above", "outcome"), [(True, "not-cured"), (False, "counting")])
def test_a_run_that_still_makes_errors_decides_the_trial_of_a_fix(*, above: bool, outcome: str) -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    fix = Trial(path=PATHS[0], serial="", what="parts", words="a new cable", began_at=story.now, complaint=ERRORS,
                events_before=40, seconds_before=7 * DAY)  # fmt: skip
    story.ledger.trials.trials.append(fix)
    story.ledger.add_proof(ProofNote(at=story.now, features={PATHS[0]: ("", {"aer_above_siblings": above})}))
    assert fix.outcome == outcome
    assert (fix.decided_at is None) is not above


def test_what_a_run_showed_is_kept_over_a_restart() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    story.ledger.add_proof(ProofNote(at=story.now, features={PATHS[0]: ("FN1", {"slow_alone": True})}))
    again = Ledger.from_state(json.loads(json.dumps(story.ledger.as_state())))
    assert again.experiments == {PATHS[0]: (story.now, "FN1", {"slow_alone": True})}
