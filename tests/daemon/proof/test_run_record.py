"""What is kept of a run adds up as the standard's counters do."""

import pytest

from laneproof.proof.run_record import Counts, DriveRun, DriveTally, LinkRun, LinkTally, ProofRun, StageName


@pytest.mark.parametrize(
    ("counted", "received", "repeats"),
    [
        ({}, 0, 0),
        ({"RxErr": 3, "BadTLP": 2, "BadDLLP": 1}, 3, 0),  # one error on the wire may set several of them
        ({"Timeout": 4, "Rollover": 1, "NonFatalErr": 9}, 0, 5),
    ],
)
def test_a_receiver_s_errors_are_told_from_a_sender_s_repeats(
    counted: dict[str, int], received: int, repeats: int
) -> None:
    counts = Counts(by_class=counted)
    assert (counts.received, counts.repeats) == (received, repeats)


def test_a_link_s_stages_add_up_end_by_end() -> None:
    """16 GT/s x4 carries 7.2 GB/s of payload and makes 64 thousand million symbols for it (Intel AN 829)."""
    alone = LinkTally(
        bits=3e12, port=Counts(by_class={"RxErr": 3, "Timeout": 1}), device=Counts(by_class={"BadTLP": 5})
    )
    heat = LinkTally(bits=1e12, serious=2, port=Counts(by_class={"RxErr": 4}), device=Counts(by_class={"Rollover": 2}))
    stages = {StageName.ALONE: alone, StageName.HEAT: heat}
    link = LinkRun(name="a", path="a", used_by=("a",), trained_gt_s=16.0, trained_lanes=4, stages=stages)
    assert (link.bits, link.errors, link.repeats, link.serious, link.is_shared) == (4e12, 7, 3, 2, False)
    assert link.ceiling_bytes == pytest.approx(7.2018e9, rel=1e-4)
    assert link.bits_per_byte == pytest.approx(64e9 / 7.2018e9, rel=1e-4)
    carried = link.exposure(StageName.ALONE, StageName.SMALL)
    assert (carried.bits, carried.errors) == (3e12, 5)
    assert link.model_copy(update={"used_by": ("a", "b")}).is_shared
    for unknown in ({"trained_gt_s": None}, {"trained_lanes": None}):
        blind = link.model_copy(update=unknown)
        assert (blind.ceiling_bytes, blind.bits_per_byte) == (None, 8.0)


def test_a_drive_has_a_rate_where_it_was_loaded() -> None:
    stages = {StageName.ALONE: DriveTally(seconds=4.0, read_bytes=8), StageName.SMALL: DriveTally()}
    drive = DriveRun(name="a", path="a", stages=stages)
    assert [drive.rate(stage) for stage in (StageName.ALONE, StageName.SMALL, StageName.HEAT)] == [2.0, None, None]


def test_gaps_of_a_run_kept_by_an_earlier_version_stay_gaps() -> None:
    gaps = [
        "riser-2 is left out: no drive answers there",
        "resets, for the kernel's log was not read to the end: denied",
    ]
    kept = {"schema": 1, "box": "kelp-1", "began_at": 0.0, "seconds": 9.0, "mode": "quick",
            "not_shown": [*gaps, "heat of riser-1: no temperature limit is stated"]}  # fmt: skip
    run = ProofRun.model_validate(kept)
    assert run.gaps == tuple(gaps)
    assert run.not_shown == ("heat of riser-1: no temperature limit is stated",)
    assert ProofRun.model_validate_json(run.model_dump_json(by_alias=True)) == run
