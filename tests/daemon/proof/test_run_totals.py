"""What adds up: each reading to its stage, each error to what held at that moment."""

import dataclasses

import pytest

from boxes.proven_box import RISER_1, targets
from laneproof.proof.judgement import judge
from laneproof.proof.plan import make_plan
from laneproof.proof.run_record import ProofRun, StageName
from laneproof.proof.run_totals import MOST_HAPPENINGS, RunTotals
from laneproof.proof.watched_pass import Occurrence, WatchedDrive, WatchedLink, WatchedPass
from laneproof_collectors.fio import LoadResult

LOADED = targets(RISER_1)
LOADED_PLAN = make_plan(LOADED)
PATH = LOADED.drives[0].path


OTHERS = 4096
"""What somebody else reads of a drive in a second."""


def reading(
    at: float, read: int = 0, *, errors: int = 0, far: int = 0, celsius: float = 40, gt_s: float = 16, lanes: int = 4
) -> WatchedPass:
    return WatchedPass(
        at=at,
        drives={
            RISER_1: WatchedDrive(read_bytes=read, reads=read >> 20, read_milliseconds=read >> 19, celsius=celsius)
        },
        links={PATH: WatchedLink(gt_s=gt_s, lanes=lanes, port={"RxErr": errors}, device={"BadTLP": far})},
    )


def add_up(*stages: tuple[StageName, list[WatchedPass]], first: WatchedPass | None = None) -> RunTotals:
    totals = RunTotals(LOADED, LOADED_PLAN)
    totals.add(first or reading(0.0))
    for stage, readings in stages:
        totals.begin(stage, (RISER_1,) if stage is not StageName.REST else ())
        for second in readings:
            totals.add(second)
    return totals


def finish(totals: RunTotals) -> ProofRun:
    return totals.finish(box="kelp-1", began_at=0.0)


def test_errors_and_bytes_go_to_the_stage_in_which_they_came() -> None:
    run = finish(
        add_up(
            (StageName.REST, [reading(1.0, OTHERS, errors=7), reading(2.0, 2 * OTHERS, errors=8)]),
            (StageName.ALONE, [reading(3.0, 10**9, errors=8), reading(3.5, 2 * OTHERS + 3 * 10**9, errors=10, far=1)]),
            first=reading(0.0, errors=5),
        )
    )
    (link,), (drive,) = run.links, run.drives
    assert {stage: tally.errors for stage, tally in link.stages.items()} == {StageName.REST: 3, StageName.ALONE: 2}
    assert link.errors == 5  # at the port; the device's one is never added to it
    assert drive.stages[StageName.ALONE].read_bytes == 3 * 10**9
    assert drive.rate(StageName.ALONE) == 3 * 10**9 / 1.5
    assert drive.stages[StageName.ALONE].read_milliseconds == (2 * OTHERS + 3 * 10**9 >> 19) - (2 * OTHERS >> 19)
    assert StageName.REST not in drive.stages  # what others read there is no load
    assert [stage.began for stage in run.stages] == [0.0, 2.0]


def test_seconds_before_a_load_has_begun_are_none_of_the_drive_s() -> None:
    run = finish(add_up((StageName.ALONE, [reading(1.0), reading(2.0), reading(3.0, 10**9), reading(4.0, 10**9)])))
    assert run.drives[0].stages[StageName.ALONE].seconds == 2.0
    silent = finish(add_up((StageName.ALONE, [reading(float(at)) for at in range(1, 36)])))
    assert silent.drives[0].stages[StageName.ALONE].seconds == 5.0


def test_a_byte_is_as_many_bits_as_the_line_code_and_the_packets_make_of_it() -> None:
    """At the payload's ceiling a 16 GT/s x4 link makes 64 thousand million symbols a second."""
    ceiling = LOADED.links[PATH].ceiling_bytes
    assert ceiling is not None
    run = finish(add_up((StageName.ALONE, [reading(1.0, round(ceiling))])))
    assert run.links[0].bits == pytest.approx(64e9)


def test_an_error_keeps_what_held_at_its_moment() -> None:
    run = finish(add_up((StageName.HEAT, [reading(1.0, 10**9), reading(2.0, 3 * 10**9, errors=2, celsius=61.0)])))
    (happened,) = run.happenings
    assert (happened.stage, happened.name, happened.kind, happened.count) == (StageName.HEAT, RISER_1, "errors", 2)
    assert (happened.bytes_per_second, happened.celsius, happened.loaded) == (2 * 10**9, 61.0, (RISER_1,))
    assert run.links[0].by_celsius[60].errors == 2
    assert run.links[0].by_celsius[40].errors == 0


def test_repeats_and_serious_errors_are_noted_too() -> None:
    def counted(at: float, repeats: int, serious: int) -> WatchedPass:
        link = WatchedLink(gt_s=16, lanes=4, port={"Timeout": repeats}, device={}, serious=serious)
        return dataclasses.replace(reading(at, int(at) * 10**9), links={PATH: link})

    seconds = [counted(1.0, 5, 7), counted(2.0, 9, 9), counted(3.0, 9, 8)]
    run = finish(add_up((StageName.ALONE, seconds), first=counted(0.0, 5, 7)))
    assert [(happened.kind, happened.count, happened.text) for happened in run.happenings] == [
        ("errors", 1, "port: 4 Timeout"),  # repeats are no errors on the wire, and something all the same
        ("serious", 2, "uncorrectable errors"),
    ]
    assert (run.links[0].repeats, run.links[0].serious, run.links[0].errors) == (4, 2, 0)


@pytest.mark.parametrize(("at", "starts"), [(1.0, True), (30.0, True), (31.0, False)])
def test_a_load_may_take_half_a_minute_to_begin(at: float, *, starts: bool) -> None:
    assert add_up((StageName.ALONE, [reading(at)])).is_starting() is starts
    assert not add_up((StageName.ALONE, [reading(at, 4096)])).is_starting()
    assert not add_up((StageName.REST, [reading(at)])).is_starting()


def test_what_warms_and_slows_a_drive_is_kept_with_its_pace_in_the_first_and_last_minute() -> None:
    def heated(at: int) -> WatchedPass:
        read = 10**9 * min(at, 60) + 10**8 * max(at - 60, 0)
        drive = WatchedDrive(read_bytes=read, celsius=50 + at / 100, heat_minutes=at // 60, throttled=at // 50)
        return WatchedPass(at=at, drives={RISER_1: drive})

    hot = [heated(at) for at in range(1, 181)]
    totals = add_up((StageName.HEAT, hot))
    totals.held_back = frozenset((RISER_1,))
    totals.add(reading(183.0, 0))
    drive = finish(totals).drives[0]
    assert (drive.hottest_celsius, drive.warning_minutes, drive.throttled) == (51.8, 3, 3)
    assert drive.held_back_seconds == 3.0
    assert drive.first_heat_bytes == pytest.approx(1e9, rel=0.02)
    assert drive.last_heat_bytes == pytest.approx(1e8, rel=0.05)
    assert finish(totals).not_shown == LOADED_PLAN.not_shown  # three seconds are not late


def test_counters_that_begin_again_count_nothing_backwards() -> None:
    run = finish(add_up((StageName.ALONE, [reading(1.0, 100, errors=50), reading(2.0, 40, errors=1)])))
    assert run.links[0].errors == 50
    assert run.drives[0].stages[StageName.ALONE].read_bytes == 100


def test_a_link_that_runs_slower_at_rest_did_not_retrain_under_load() -> None:
    slow, fast = reading(1.0, gt_s=2.5), reading(2.0, 10**9)
    run = finish(add_up((StageName.REST, [slow]), (StageName.ALONE, [fast, reading(3.0, 2 * 10**9)])))
    assert (run.links[0].trained_gt_s, run.links[0].retrained) == (16.0, 0)


def test_a_link_that_falls_under_load_is_noted() -> None:
    run = finish(add_up((StageName.ALONE, [reading(1.0, 10**9), reading(2.0, 2 * 10**9, lanes=2)])))
    assert (run.links[0].trained_lanes, run.links[0].retrained) == (2, 1)
    assert "from 16 GT/s x4 to 16 GT/s x2" in run.happenings[0].text


def test_a_drive_that_vanished_keeps_what_it_had_counted() -> None:
    gone = WatchedPass(at=2.0, drives={RISER_1: WatchedDrive(is_there=False)})
    warm = WatchedPass(at=1.0, drives={RISER_1: WatchedDrive(read_bytes=100, media_errors=3)})
    first = WatchedPass(at=0.0, drives={RISER_1: WatchedDrive(read_bytes=0, media_errors=1)})
    run = finish(add_up((StageName.ALONE, [warm, gone]), first=first))
    assert run.drives[0].media_errors == 2


def test_a_drive_that_vanished_went_away_once_whether_or_not_the_log_says_so() -> None:
    drives = {RISER_1: WatchedDrive(is_there=False)}
    logged = (Occurrence(name=RISER_1, kind="gone", text="controller is down"),)
    for readings in (
        [WatchedPass(at=1.0, drives=drives), WatchedPass(at=2.0, drives=drives)],
        [WatchedPass(at=1.0, drives=drives, occurrences=logged)],
    ):
        run = finish(add_up((StageName.ALONE, readings)))
        assert [(happened.name, happened.kind) for happened in run.happenings] == [(RISER_1, "gone")]


def test_a_soak_is_over_once_it_rose_by_less_than_a_degree_in_ten_minutes() -> None:
    rising = [reading(at, int(at) << 30, celsius=40 + at / 60) for at in range(1, 620)]
    assert not add_up((StageName.HEAT, rising)).is_soaked()
    flat = [reading(at, int(at) << 30, celsius=62.0) for at in range(1, 620)]
    assert add_up((StageName.HEAT, flat)).is_soaked()
    assert not add_up((StageName.HEAT, flat[:500])).is_soaked()


def test_a_flood_is_cut_off_and_its_rest_is_counted() -> None:
    totals = add_up((StageName.ALONE, []))
    for at in range(MOST_HAPPENINGS + 5):
        totals.add(WatchedPass(at=float(at), occurrences=(Occurrence(name=RISER_1, kind="reset", text="x"),)))
    run = finish(totals)
    assert len(run.happenings) == MOST_HAPPENINGS
    assert any("5 further happenings" in words for words in run.not_shown)


def test_a_watch_that_stood_still_is_said_to_have() -> None:
    run = finish(add_up((StageName.ALONE, [reading(1.0), reading(9.0)])))
    assert any("within 8 s in which the watch got no further" in words for words in run.not_shown)


def test_a_log_that_is_not_read_to_the_end_leaves_the_box_unverified() -> None:
    silent = dataclasses.replace(reading(2.0), unread_log="/dev/kmsg: denied")
    run = finish(add_up((StageName.ALONE, [reading(1.0), silent])))
    assert any("the kernel's log was not read to the end: /dev/kmsg: denied" in words for words in judge(run).box)
    run = finish(add_up((StageName.ALONE, [silent, reading(3.0)])))  # what waited in it came with the next second
    assert not judge(run).box


def test_errors_that_come_while_no_end_can_be_read_are_counted_later_and_bits_are_not() -> None:
    blind = WatchedPass(at=2.0, drives=reading(2.0, 2 << 30).drives, links={PATH: WatchedLink(gt_s=16.0, lanes=4)})
    seen = [reading(1.0, 1 << 30, errors=1), blind, reading(3.0, 3 << 30, errors=5)]
    (link,) = finish(add_up((StageName.ALONE, seen))).links
    assert link.errors == 5
    assert link.bits == pytest.approx(2 * (1 << 30) * LOADED.links[PATH].bits_per_byte)


def test_errors_from_before_an_end_could_first_be_read_are_none_of_the_run_s() -> None:
    blind = WatchedPass(at=0.0, drives=reading(0.0).drives, links={PATH: WatchedLink(gt_s=16.0, lanes=4)})
    seen = [reading(1.0, 1 << 30, errors=5), reading(2.0, 2 << 30, errors=7)]
    (link,) = finish(add_up((StageName.ALONE, seen), first=blind)).links
    assert link.errors == 2


def test_waking_is_the_load_s_own_account() -> None:
    totals = add_up((StageName.WAKE, [reading(1.0)]))
    totals.add_result(
        LOADED.drives[0], LoadResult(error=0, read_bytes=8192, reads=2, median_us=900.0, longest_us=1500.0)
    )
    wake = finish(totals).drives[0].wake
    assert wake is not None
    assert (wake.reads, wake.median_us, wake.longest_us) == (2, 900.0, 1500.0)


def test_a_load_that_failed_is_a_read_error() -> None:
    totals = add_up((StageName.ALONE, []))
    totals.add_result(LOADED.drives[0], LoadResult(error=5, read_bytes=0, reads=0))
    assert [happened.kind for happened in finish(totals).happenings] == ["read-error"]


def test_a_run_is_the_same_after_it_was_kept_as_json() -> None:
    run = finish(add_up((StageName.ALONE, [reading(1.0, 10**9, errors=1)])))
    assert ProofRun.model_validate_json(run.model_dump_json(by_alias=True)) == run
