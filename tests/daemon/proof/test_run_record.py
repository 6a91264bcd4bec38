"""What is kept of a run adds up as the standard's counters do."""

import pytest

from laneproof.proof.run_record import Counts, LinkTally, ProofRun


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


def test_the_ends_are_never_added_up() -> None:
    tally = LinkTally(port=Counts(by_class={"RxErr": 3}), device=Counts(by_class={"RxErr": 2}))
    assert tally.errors == 3


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
