"""What is kept of a run adds up as the standard's counters do."""

import pytest

from laneproof.proof.run_record import Counts, LinkTally


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
