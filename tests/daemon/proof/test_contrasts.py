"""Contrasts between stages: each fault of a known cause shows its own, and a sound drive shows none."""

from collections.abc import Mapping
from typing import Any

import pytest

from boxes.proven_box import RISER_3, drive, run_box, sound_run
from laneproof.diagnosis.weights import DEFAULT
from laneproof.proof.contrasts import find_features, find_sleep
from laneproof.proof.run_record import (
    Counts,
    DriveRun,
    Happening,
    LinkRun,
    LinkTally,
    ProofRun,
    StageName,
    StageRun,
    WakeRun,
)
from laneproof.proof.simulated_machine import Fault

CONTRASTS = (
    "errors_follow_bits",
    "errors_on_wake_only",
    "errors_when_hot_only",
    "errors_all_loaded_only",
    "slow_alone",
    "fails_on_small_reads",
)


def features(fault: Fault) -> Mapping[str, bool | None]:
    run = run_box({RISER_3: fault})
    return find_features(run, drive(run, RISER_3))


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        (Fault(errors_per_bit=2e-12), "errors_follow_bits"),
        (Fault(errors_per_wake=0.5), "errors_on_wake_only"),
        (Fault(hot_errors_per_bit=2e-12, hot_celsius=55.0, warm_celsius=66.0), "errors_when_hot_only"),
        (Fault(crowded_errors_per_bit=3e-12), "errors_all_loaded_only"),
        (Fault(pace=0.1), "slow_alone"),
        (Fault(resets_per_second={StageName.SMALL: 0.5}), "fails_on_small_reads"),
    ],
)
def test_a_fault_shows_its_own_contrast_and_no_other(fault: Fault, seen: str) -> None:
    found = features(fault)
    assert found[seen] is True
    assert not [name for name in CONTRASTS if name != seen and found[name]]


def test_a_sound_drive_shows_no_contrast() -> None:
    found = find_features(sound_run(), drive(sound_run(), RISER_3))
    assert not [name for name in CONTRASTS if found[name]]
    assert found["slow_alone"] is False
    assert found["aer_above_siblings"] is False
    assert found["only_replays"] is None, "nothing was repeated, so nothing alone"
    assert found["link_below_expected"] is False


def test_every_feature_is_one_that_the_diagnosis_knows() -> None:
    known = {feature.name for feature in DEFAULT.features}
    found = features(Fault(resets_per_second={StageName.WAKE: 0.1}))
    assert found.keys() <= known


@pytest.mark.parametrize(
    ("changes", "slept", "why"),
    [
        ({}, True, "a read after rest took 30 ms"),
        ({"median_us": 95.0}, None, "most did not"),
        ({"median_us": 95.0, "longest_us": 130.0}, False, "never entered state 4: the longest of 30 reads after 2.5 s"),
        ({"median_us": 95.0, "longest_us": 4500.0}, False, "never entered state 4"),  # a tenth of 41 ms, and a read
        ({"median_us": 4700.0}, True, "5 ms"),
        ({"exit_us": None}, None, "the time to leave state 4 is not stated"),
        ({"exit_us": 200}, None, "200 us at most, which no read can show"),
        ({"state": None, "exit_us": None}, None, "only its link rests"),
        ({"reads": 0, "median_us": None, "longest_us": None}, None, "no read after its rest ended"),
    ],
)
def test_whether_a_drive_slept_shows_in_the_first_read_after_its_rest(
    changes: dict[str, object], *, slept: bool | None, why: str
) -> None:
    known = {"state": 4, "idle_seconds": 2.5, "exit_us": 41_000, "reads": 30, "median_us": 30_000.0}
    wake = WakeRun.model_validate(known | {"longest_us": 40_000.0} | changes)
    found, said = find_sleep(drive(sound_run(), RISER_3).model_copy(update={"wake": wake}))
    assert found is slept
    assert why in said


def test_a_read_of_a_drive_that_is_slow_awake_shows_no_sleep() -> None:
    wake = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=8000.0, longest_us=9000.0)
    slow = {"wake": wake, "small_read_us": 6000.0}
    assert find_sleep(drive(sound_run(), RISER_3).model_copy(update=slow))[0] is False


def test_a_drive_that_never_slept_woke_with_no_error() -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)})
    mine = drive(run, RISER_3)
    assert find_features(run, mine)["errors_on_wake_only"] is False
    awake = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=90.0, longest_us=130.0)
    assert find_features(run, mine.model_copy(update={"wake": awake}))["errors_on_wake_only"] is None


@pytest.mark.parametrize(
    ("changes", "seen"),
    [
        ({"warning_minutes": 1}, True),
        ({"held_back_seconds": 5.0}, True),
        ({"stopped": "it reached its critical temperature: 85 °C"}, True),
        ({"stopped": "it reports that it is failing"}, False),
        ({"hottest_celsius": 80.0, "warning_celsius": 80.0}, True),
        ({"hottest_celsius": None}, None),
    ],
)
def test_each_sign_of_too_much_heat_is_one_by_itself(changes: dict[str, object], *, seen: bool | None) -> None:
    found = find_features(sound_run(), drive(sound_run(), RISER_3).model_copy(update=changes))
    assert found["warning_minutes_rising"] is seen


# --- runs made by hand, on both sides of each threshold ---------------------------------------------------------------

Tallies = Mapping[StageName, tuple[float, int]]
REST, ALONE, SMALL, TOGETHER, WAKE, HEAT = StageName
SECONDS = {REST: 60.0, ALONE: 560.0, SMALL: 70.0, TOGETHER: 400.0, WAKE: 75.0, HEAT: 900.0}
BITS = 4e13


def link(tallies: Tallies, path: str = "a", name: str = "RxErr", **changes: Any) -> LinkRun:
    stages = {
        stage: LinkTally(bits=bits, port=Counts(by_class={name: count})) for stage, (bits, count) in tallies.items()
    }
    known = {"name": path, "path": path, "used_by": (path,), "counting_ends": ("port",), "stages": stages}
    return LinkRun.model_validate(known | changes)


def made(*links: LinkRun, drives: tuple[DriveRun, ...] = (), **changes: Any) -> ProofRun:
    """Make a run of default length; its first drive is called a."""
    stages = tuple(StageRun(name=stage, began=0.0, seconds=SECONDS[stage], planned_seconds=0.0) for stage in StageName)
    known = {"box": "kelp-1", "began_at": 0.0, "seconds": 2000.0, "mode": "default", "stages": stages}
    drives = drives or (DriveRun(name="a", path="a"),)
    return ProofRun.model_validate(known | {"links": links, "drives": drives} | changes)


def seen(run: ProofRun, feature: str) -> bool | None:
    return find_features(run, run.drives[0])[feature]


def happened(
    *events: tuple[str, StageName, float], name: str = "a", celsius: float | None = None
) -> tuple[Happening, ...]:
    return tuple(
        Happening(at=at, stage=stage, name=name, kind=kind, text="", celsius=celsius) for kind, stage, at in events
    )


@pytest.mark.parametrize(
    ("tallies", "on_wake", "name"),
    [
        ({ALONE: (BITS, 0), WAKE: (0, 4)}, True, "RxErr"),
        ({ALONE: (BITS, 1), WAKE: (0, 4)}, True, "RxErr"),  # four of five
        ({ALONE: (BITS, 1), WAKE: (0, 3)}, None, "RxErr"),
        ({ALONE: (BITS, 4), WAKE: (0, 1)}, False, "RxErr"),
        ({ALONE: (BITS, 3), WAKE: (0, 1)}, None, "RxErr"),
        ({ALONE: (BITS, 0), WAKE: (0, 3)}, None, "RxErr"),  # three errors tell nothing
        ({ALONE: (BITS, 4)}, False, "Rollover"),
        ({ALONE: (BITS, 1), WAKE: (0, 4)}, True, "Timeout"),
    ],
)
def test_four_errors_of_five_come_on_waking_or_elsewhere(tallies: Tallies, name: str, *, on_wake: bool | None) -> None:
    slept = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=30_000.0, longest_us=40_000.0)
    run = made(link(tallies, name=name), drives=(DriveRun(name="a", path="a", wake=slept),))
    assert seen(run, "errors_on_wake_only") is on_wake
    assert seen(run, "only_replays") is None  # one end alone counts


@pytest.mark.parametrize(
    ("stages", "wake_seconds", "on_wake"),
    [
        ((WAKE,), 75.0, True),  # by chance in 75 s of 2065: 3.6 %
        ((WAKE,), 200.0, None),  # in 200 s of 2190: 9 %
        ((WAKE, WAKE), 200.0, True),
        ((WAKE, ALONE), 75.0, None),
        ((ALONE,), 75.0, False),
        ((), 75.0, None),
    ],
)
def test_failures_on_waking_alone_are_no_chance(
    stages: tuple[StageName, ...], wake_seconds: float, *, on_wake: bool | None
) -> None:
    slept = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=30_000.0, longest_us=40_000.0)
    run = made(
        drives=(DriveRun(name="a", path="a", wake=slept),),
        happenings=happened(*(("reset", stage, 1.0) for stage in stages)),
        stages=tuple(
            StageRun(name=stage, began=0.0, seconds=wake_seconds if stage is WAKE else seconds, planned_seconds=0.0)
            for stage, seconds in SECONDS.items()
        ),
    )
    assert seen(run, "errors_on_wake_only") is on_wake


@pytest.mark.parametrize(
    ("tallies", "all_loaded", "follows"),
    [
        # at the same rate: as many errors as bits
        ({ALONE: (BITS, 20), TOGETHER: (BITS, 20)}, False, True),
        ({ALONE: (BITS, 0), TOGETHER: (BITS, 20)}, True, False),
        ({ALONE: (BITS, 0), TOGETHER: (BITS / 2, 10), HEAT: (BITS / 2, 10)}, True, False),
        ({ALONE: (BITS, 1), TOGETHER: (BITS, 9)}, False, True),  # nine times the rate
        ({ALONE: (BITS, 2), TOGETHER: (BITS, 40)}, True, False),
        ({ALONE: (BITS, 0), TOGETHER: (BITS, 6)}, None, None),  # by chance in one of 64
        ({ALONE: (BITS, 20), TOGETHER: (BITS, 1)}, None, True),
        ({SMALL: (BITS, 20), TOGETHER: (BITS, 1)}, None, True),
        ({ALONE: (BITS, 3)}, None, None),
        ({ALONE: (BITS, 4)}, None, True),
        ({ALONE: (BITS, 8), REST: (0, 2)}, None, True),  # four of five under load
        ({ALONE: (BITS, 7), REST: (0, 2)}, None, None),
    ],
)
def test_errors_are_contrasted_bit_for_bit(tallies: Tallies, *, all_loaded: bool | None, follows: bool | None) -> None:
    run = made(link(tallies))
    assert seen(run, "errors_all_loaded_only") is all_loaded
    assert seen(run, "errors_follow_bits") is follows


@pytest.mark.parametrize(
    ("by_celsius", "hot"),
    [
        ({40: (BITS, 0), 55: (BITS, 20)}, True),
        ({40: (BITS, 0), 45: (BITS, 0), 50: (BITS, 10), 55: (BITS, 10)}, True),
        ({40: (BITS, 20), 55: (BITS, 20)}, False),
        ({45: (BITS, 20), 55: (BITS, 20)}, None),  # ten degrees are too few to say no
        ({40: (BITS, 0), 55: (BITS, 3)}, None),
        ({40: (BITS, 1), 55: (BITS, 9)}, False),
    ],
)
def test_errors_are_contrasted_by_temperature(by_celsius: dict[int, tuple[float, int]], *, hot: bool | None) -> None:
    rows = {celsius: {"bits": bits, "errors": errors} for celsius, (bits, errors) in by_celsius.items()}
    assert seen(made(link({ALONE: (BITS, 9)}, by_celsius=rows)), "errors_when_hot_only") is hot


@pytest.mark.parametrize(
    ("mine", "others", "above"),
    [
        (9, (0, 0, 0), True),
        (3, (0, 0, 0), False),  # fewer than four tell nothing
        (9, (9, 9, 9), False),
        (100, (40, 40, 40), False),  # two and a half times as many
        (9, (), None),
    ],
)
def test_a_link_is_above_its_siblings_by_far_and_not_by_chance(
    mine: int, others: tuple[int, ...], *, above: bool | None
) -> None:
    siblings = [link({ALONE: (BITS, count)}, path=f"b{at}") for at, count in enumerate(others)]
    shared = link({ALONE: (BITS, 1000)}, path="s", used_by=("a", "b0"))
    blind = link({ALONE: (BITS, 0)}, path="c", counting_ends=())
    assert seen(made(link({ALONE: (BITS, mine)}), *siblings, shared, blind), "aer_above_siblings") is above


@pytest.mark.parametrize(
    ("name", "ends", "only_replays"),
    [
        ("Rollover", ("port", "device"), True),
        ("RxErr", ("port", "device"), False),
        ("NonFatalErr", ("port", "device"), None),
        ("Rollover", ("port",), None),
    ],
)
def test_a_link_only_repeats_where_both_ends_count_and_no_receiver_saw_an_error(
    name: str, ends: tuple[str, ...], *, only_replays: bool | None
) -> None:
    assert seen(made(link({ALONE: (BITS, 1)}, name=name, counting_ends=ends)), "only_replays") is only_replays


@pytest.mark.parametrize(
    ("trained", "declared", "capable", "below"),
    [
        ((16.0, 4), (16.0, 4), (32.0, 8), False),
        ((8.0, 4), (16.0, None), (32.0, 4), True),
        ((16.0, 2), (None, None), (16.0, 4), True),
        ((16.0, 4), (None, None), (None, 4), False),
        ((None, 4), (16.0, 4), (None, None), None),
        ((16.0, 4), (None, None), (None, None), None),
    ],
)
def test_a_link_is_below_what_is_declared_or_else_what_both_ends_can_do(
    trained: tuple[float | None, int | None],
    declared: tuple[float | None, int | None],
    capable: tuple[float | None, int | None],
    *,
    below: bool | None,
) -> None:
    pairs = {"trained": trained, "declared": declared, "capable": capable}
    figures: dict[str, Any] = {f"{word}_gt_s": gt_s for word, (gt_s, _) in pairs.items()}
    figures |= {f"{word}_lanes": lanes for word, (_, lanes) in pairs.items()}
    assert seen(made(link({}, **figures)), "link_below_expected") is below


def paced(name: str, rate: float | None, ceiling: float | None = 8e9, **changes: Any) -> DriveRun:
    stages = {} if rate is None else {ALONE: {"seconds": 10.0, "read_bytes": round(rate * 10)}}
    known = {"name": name, "path": name, "model": "M", "ceiling_bytes": ceiling, "stages": stages}
    return DriveRun.model_validate(known | changes)


@pytest.mark.parametrize(
    ("drives", "changes", "slow"),
    [
        ((paced("a", 2.9e9), paced("b", 6e9), paced("c", 6e9)), {}, True),
        ((paced("a", 3e9), paced("b", 6e9), paced("c", 6e9)), {}, False),
        ((paced("a", 0.6e9, 1e9), paced("b", 4.8e9)), {}, False),  # each by its own link
        ((paced("a", 2e9), paced("b", 6e9, model="N")), {}, None),  # no sibling, nothing declared
        ((paced("a", 4e9),), {}, False),  # half of what its link can carry
        ((paced("a", 2e9, declared_read_bytes=7e9),), {}, True),
        ((paced("a", 2e9, declared_read_bytes=20e9),), {}, True),  # no more than its link
        ((paced("a", 4e9, declared_read_bytes=20e9),), {}, False),
        ((paced("a", 1e9, declared_read_bytes=7e9),), {"rate_bytes": 10**9}, False),  # as fast as it was let
        ((paced("a", None), paced("b", 6e9)), {}, None),
        ((paced("a", 1e9), paced("b", 6e9)), {"happenings": happened(("read-error", ALONE, 1.0))}, None),
        ((paced("a", 1e9), paced("b", 6e9)), {"happenings": happened(("read-error", SMALL, 1.0))}, True),
    ],
)
def test_half_of_what_siblings_give_is_slow(
    drives: tuple[DriveRun, ...], changes: dict[str, object], *, slow: bool | None
) -> None:
    run = made(drives=drives, **changes)
    assert seen(run, "slow_alone") is slow
    assert seen(run, "slow_against_siblings") is slow


@pytest.mark.parametrize(
    ("changes", "hot"),
    [
        ({"throttled": 1}, True),
        ({"first_heat_bytes": 6e9, "last_heat_bytes": 4.7e9, "warning_minutes": 1}, True),
        ({"first_heat_bytes": 6e9, "last_heat_bytes": 4.7e9}, None),  # slower, and not for heat
        ({"first_heat_bytes": 6e9, "last_heat_bytes": 4.9e9, "warning_minutes": 1}, None),
    ],
)
def test_a_fifth_less_at_the_end_of_the_soak_is_heat_where_it_was_warm(
    changes: dict[str, Any], *, hot: bool | None
) -> None:
    assert seen(made(drives=(paced("a", 6e9, **changes),)), "errors_when_hot_only") is hot


@pytest.mark.parametrize(
    ("stages", "small_seconds", "fails"),
    [
        ((SMALL,), 10.0, True),  # by chance in 10 s of 380: 2.6 %
        ((SMALL,), 70.0, None),
        ((SMALL, SMALL), 70.0, True),
        ((SMALL, ALONE), 10.0, None),
        ((ALONE,), 10.0, False),
        ((SMALL,), 0.0, None),
        ((), 10.0, None),
    ],
)
def test_failures_on_small_reads_alone_are_no_chance(
    stages: tuple[StageName, ...], small_seconds: float, *, fails: bool | None
) -> None:
    tallies = {ALONE: {"seconds": 370.0}, SMALL: {"seconds": small_seconds}, WAKE: {"seconds": 5000.0}}
    events = happened(*(("time-out", stage, 1.0) for stage in stages))
    run = made(drives=(DriveRun.model_validate({"name": "a", "path": "a", "stages": tallies}),), happenings=events)
    assert seen(run, "fails_on_small_reads") is fails


@pytest.mark.parametrize(
    ("others", "together", "same_model"),
    [
        (happened(("reset", HEAT, 105.0), name="b"), True, True),
        (happened(("reset", HEAT, 106.0), name="b"), False, True),
        (happened(("read-error", HEAT, 100.0), name="b"), False, False),
        (happened(("gone", HEAT, 95.0), name="c"), True, False),
        ((), False, False),
    ],
)
def test_drives_fail_together_within_five_seconds(
    others: tuple[Happening, ...], *, together: bool, same_model: bool
) -> None:
    drives = (paced("a", 6e9, warning_celsius=70.0), paced("b", 6e9), paced("c", 6e9, model="N"))
    run = made(drives=drives, happenings=(*happened(("reset", HEAT, 100.0), celsius=66.0), *others))
    found = find_features(run, run.drives[0])
    assert (found["several_drives_together"], found["same_model_affected"]) == (together, same_model)
    assert (found["drops_or_resets"], found["drops_under_load"], found["drops_after_idle_exit"]) == (True, True, False)
    assert found["hot_before_drop"] is True
    alone = made(drives=drives[:1], happenings=run.happenings[:1])
    found = find_features(alone, alone.drives[0])
    assert (found["several_drives_together"], found["same_model_affected"]) == (None, None)


@pytest.mark.parametrize(("errors", "rising", "often"), [(0, False, None), (1, True, None), (10, True, True)])
def test_ten_new_media_errors_in_a_run_are_often(errors: int, *, rising: bool, often: bool | None) -> None:
    found = find_features(made(), DriveRun(name="a", path="a", media_errors=errors))
    assert (found["media_errors_rising"], found["media_errors_often"]) == (rising, often)
