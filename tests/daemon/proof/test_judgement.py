"""What a run proves, with its bounds checked against scipy and the worked example of the specification's ratio."""

from collections.abc import Callable
from typing import Any

import pytest
from scipy import stats

from boxes.proven_box import RISER_1, RISER_3, drive, position, run_box, run_disks, sound_run
from laneproof.proof.judgement import judge, judge_drive, judge_link
from laneproof.proof.run_record import Counts, DriveRun, Happening, LinkRun, LinkTally, ProofRun, StageName, WakeRun
from laneproof.proof.simulated_machine import Fault


def link(bits: float, errors: int, *, path: str = "0000:00/01.1", **changes: Any) -> LinkRun:
    tally = LinkTally(seconds=60.0, bits=bits, port=Counts(by_class={"RxErr": errors}))
    known = {"trained_gt_s": 16.0, "trained_lanes": 4, "declared_gt_s": 16.0, "declared_lanes": 4}
    return LinkRun.model_validate(
        {"name": path, "path": path, "used_by": (path,), "counting_ends": ("port",), **known}
        | {"stages": {StageName.ALONE: tally}}
        | changes
    )


def run_of(*links: LinkRun, **changes: Any) -> ProofRun:
    known = {"box": "kelp-1", "began_at": 0.0, "seconds": 1.0, "mode": "default"}
    return ProofRun.model_validate(known | {"links": links} | changes)


UNDECLARED = {"declared_gt_s": None, "declared_lanes": None, "capable_gt_s": 32.0, "capable_lanes": 4}


def siblings(count: int) -> list[LinkRun]:
    return [link(4.1e13, 0, path=f"0000:00/02.{number}") for number in range(count)]


def test_the_bounds_of_the_worked_example_are_scipy_s() -> None:
    """4.1e13 bits with 9 errors: at least 1.0e-13 and at most 4.2e-13 a bit, at 95 %."""
    proven = judge_link(run_of(link(4.1e13, 9)), link(4.1e13, 9))
    assert proven.lower == pytest.approx(stats.chi2.ppf(0.025, 18) / 2 / 4.1e13)
    assert proven.upper == pytest.approx(stats.chi2.ppf(0.975, 20) / 2 / 4.1e13)
    assert (f"{proven.lower:.1e}", f"{proven.upper:.1e}") == ("1.0e-13", "4.2e-13")


def test_errors_that_the_specification_allows_and_no_sibling_makes_differ() -> None:
    mine = link(4.1e13, 9)
    proven = judge_link(run_of(mine, *siblings(5)), mine)
    assert proven.verdict == "differs"
    assert proven.because[0] == (
        "it carried 4.1e13 bits with 9 errors: at least 1e-13 and at most 4.2e-13 a bit (95 %), and no error in 2e14 "
        "bits of its siblings"
    )
    assert (proven.siblings, proven.sibling_errors) == (5, 0)


@pytest.mark.parametrize(
    ("bits", "errors", "verdict"),
    [
        (3.1e12, 0, "holds"),  # three million million bits without an error: just below 1e-12 at 95 %
        (2.9e12, 0, "unverified"),
        (4.1e13, 2, "holds"),
        (3.1e12, 1, "unverified"),
        (3e12, 60, "differs"),
        (0.0, 0, "unverified"),
    ],
)
def test_a_link_holds_only_with_so_many_bits_that_the_specification_is_shown(
    bits: float, errors: int, verdict: str
) -> None:
    assert judge_link(run_of(link(bits, errors)), link(bits, errors)).verdict == verdict


@pytest.mark.parametrize(
    ("changes", "verdict", "why"),
    [
        ({"trained_lanes": 2}, "differs", "it trained at gen 4 x2, declared gen 4 x4"),
        (UNDECLARED, "differs", "can do gen 5 x4"),
        ({"retrained": 2}, "differs", "changed 2 times under load"),
        ({"counting_ends": ()}, "unverified", "neither end counts its errors"),
        ({"trained_gt_s": None}, "unverified", "could not be read"),
    ],
)  # fmt: skip
def test_a_link_says_why(changes: dict[str, Any], verdict: str, why: str) -> None:
    mine = link(4e13, 0, **changes)
    proven = judge_link(run_of(mine), mine)
    assert proven.verdict == verdict
    assert why in proven.because[0]


def test_nothing_is_proven_of_links_in_a_virtual_machine() -> None:
    mine = link(4e13, 0)
    assert judge_link(run_of(mine, is_virtual=True), mine).verdict == "unverified"


def test_a_sound_box_holds_with_a_bound_for_each_link() -> None:
    proof = judge(sound_run())
    assert proof.verdict == "holds"
    assert {position.verdict for position in proof.positions} == {"holds"}
    assert all(each.link is not None and (each.link.upper or 1.0) < 1e-12 for each in proof.positions)


FAULTS: dict[str, tuple[Fault, str]] = {
    "a bad cable": (Fault(errors_per_bit=2e-12), "signal-path"),
    "a link that wakes badly": (Fault(errors_per_wake=0.5), "power-management"),
    "heat": (Fault(warm_celsius=85.0, throttles_celsius=68.0), "heat"),
    "a failing drive": (Fault(pace=0.3, media_errors_per_second=0.05), "drive-failing"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_put_to_its_position_with_its_cause(name: str) -> None:
    fault, cause = FAULTS[name]
    proof = judge(run_box({RISER_3: fault}))
    assert proof.verdict == "differs"
    assert [each.name for each in proof.positions if each.verdict == "differs"] == [RISER_3]
    proven = position(proof, RISER_3)
    assert proven.causes[0].cause == cause
    assert 1 < len(proven.next_steps) <= 5
    assert "prove this position again" in proven.next_steps[-1]


def test_a_drive_whose_load_ended_with_an_error_is_not_called_slow() -> None:
    error = Happening(at=90.0, stage=StageName.ALONE, name=RISER_3, kind="read-error", text="error 5")
    run = run_box({RISER_3: Fault(pace=0.1)}).model_copy(update={"happenings": (error,)})
    assert position(run, RISER_3).drive.because == ("a read failed (alone)",)


AWAKE = WakeRun(state=4, idle_seconds=2.5, exit_us=41_000, reads=30, median_us=90.0, longest_us=130.0)
UNASKED = WakeRun(why_unknown="it was not asked")


def change(name: str, **changes: Any) -> ProofRun:
    """Change a sound run's drive."""
    run = sound_run()
    drives = tuple(each.model_copy(update=changes) if each.name == name else each for each in run.drives)
    return run.model_copy(update={"drives": drives})


def without(name: str, stage: StageName) -> ProofRun:
    stages = drive(sound_run(), name).stages
    return change(name, stages={kept: tally for kept, tally in stages.items() if kept is not stage})


@pytest.mark.parametrize(
    ("make", "verdict", "why"),
    [
        (lambda: change(RISER_1, held_back_seconds=90.0), "differs", "held back for 90 s"),
        (lambda: change(RISER_1, throttled=2), "differs", "slowed itself down for heat 2 times"),
        (lambda: change(RISER_1, stopped="it reached its critical temperature: 85 °C"), "differs", "load was stopped"),
        (lambda: change(RISER_1, warning_minutes=1), "differs", "counted 1 minute above"),
        (lambda: without(RISER_1, StageName.ALONE), "unverified", "not loaded alone"),
        (lambda: without(RISER_1, StageName.SMALL), "unverified", "nothing was read of it in the stage 'small'"),
        (lambda: without(RISER_1, StageName.HEAT), "unverified", "nothing was read of it in the stage 'heat'"),
        (lambda: change(RISER_1, hottest_celsius=None), "unverified", "its health was not read"),
        (lambda: change("wireless", ceiling_bytes=3.9e9), "unverified", "no sibling of its model"),
        (lambda: change(RISER_1, wake=AWAKE), "unverified", "its waking is not shown: it never entered state 4"),
        (lambda: change(RISER_1, idle_states_on=None, wake=UNASKED), "unverified", "is not shown: it was not asked"),
    ],
)  # fmt: skip
def test_a_drive_says_why(make: Callable[[], ProofRun], verdict: str, why: str) -> None:
    run = make()
    differing = [each.drive for each in judge(run).positions if each.drive.verdict != "holds"]
    assert [each.verdict for each in differing] == [verdict]
    assert why in differing[0].because[0]


@pytest.mark.parametrize(
    ("slow", "only", "share", "differs"),
    [
        ({RISER_1}, None, 0.25, True),
        ({RISER_1}, None, 0.51, False),
        (None, None, 0.25, False),  # all alike: it is the processor's, or memory's
        ({RISER_1}, RISER_1, 0.25, False),  # there is no other to compare it with
    ],
)
def test_a_drive_that_gets_less_than_its_links_leave_it_differs_where_others_get_theirs(
    slow: set[str] | None, only: str | None, share: float, *, differs: bool
) -> None:
    def put(known: DriveRun) -> DriveRun:
        tally = known.stages[StageName.TOGETHER]
        read = round(share * tally.read_bytes) if slow is None or known.name in slow else tally.read_bytes
        stages = known.stages | {StageName.TOGETHER: tally.model_copy(update={"read_bytes": read})}
        return known.model_copy(update={"stages": stages})

    drives = tuple(put(known) for known in sound_run().drives if only in (None, known.name))
    because = position(sound_run().model_copy(update={"drives": drives}), RISER_1).drive.because
    assert ("where the links leave it" in because[0]) is differs


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"stopped": "you stopped it"}, "you stopped it"),
        ({"gaps": ("3 records of the kernel's log, which were overwritten",)}, "3 records"),
        ({"links": ()}, "the link of riser-1 was not found"),
    ],
)
def test_a_run_with_a_gap_proves_nothing_of_the_box(changes: dict[str, object], why: str) -> None:
    proof = judge(sound_run().model_copy(update=changes))
    assert proof.verdict == "unverified"
    assert why in proof.box[0]


@pytest.mark.parametrize(
    ("bad", "verdict", "why"),
    [
        ((100, 0, 0), "holds", "it gives 100 MB/s alone"),
        ((100, 3, 0), "differs", "3 transfers over its cable failed"),
        ((100, 0, 1), "differs", "it counted 1 new media error"),
        ((40, 0, 0), "differs", "it gives 40 MB/s alone, less than half"),
    ],
)
def test_a_disk_is_judged_by_its_pace_its_sectors_and_its_cable(
    bad: tuple[int, int, int], verdict: str, why: str
) -> None:
    proof = judge(run_disks(bad=bad))
    first, second = proof.positions
    assert (first.verdict, second.verdict) == (verdict, "holds")
    assert why in first.drive.because[0]
    assert first.link is None
    assert any("reseat both ends of the cable" in step for step in first.next_steps) is bool(bad[1])


def test_a_disk_that_counts_no_failed_transfers_is_unverified_and_so_is_one_without_a_sibling() -> None:
    run = run_disks()
    blind = run.drives[0].model_copy(update={"transfer_errors": None})
    said = judge_drive(run, blind)
    assert (said.verdict, "transfers over its cable" in said.because[0]) == ("unverified", True)
    alone = run.model_copy(update={"drives": run.drives[:1]})
    assert "no sibling of its model" in judge_drive(alone, alone.drives[0]).because[0]
