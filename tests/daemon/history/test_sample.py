"""A fact becomes a sample, or none."""

import pytest

from laneproof.history.measures import Measure
from laneproof.history.origins import Origin
from laneproof.history.sample import sample
from laneproof_collectors.unread import Reason, Unread

HERE = Origin("0000:00/01.1", "FN0001", "drive")


def _value(fact: object, digits: int = 0) -> int | float | None:
    return next((found.value for found in sample(HERE, Measure(name="x", digits=digits), fact)), None)


@pytest.mark.parametrize("fact", [None, Unread("a file", "permission denied", Reason.DENIED), "16.0 GT/s"])
def test_what_is_no_number_gives_no_sample(fact: object) -> None:
    assert list(sample(HERE, Measure(name="x"), fact)) == []


@pytest.mark.parametrize(
    ("fact", "digits", "kept"),
    [
        (True, 0, 1),
        (False, 0, 0),
        (38.0, 1, 38),
        (38.04, 1, 38),
        (38.06, 1, 38.1),
        (0.12345, 3, 0.123),
        (-40.0, 1, -40),
    ],
)
def test_a_number_is_kept_no_finer_than_it_is_worth(fact: float, digits: int, kept: float) -> None:
    value = _value(fact, digits)
    assert value == kept
    assert isinstance(value, int) == float(kept).is_integer()


def test_counters_beyond_sqlites_integers_are_kept_as_near_as_a_float_is() -> None:
    # NVM Express Base Specification 2.0, figure 207: counters of 128 bits. SQLite: integers of 64 bits with a sign.
    for widest in (2**63 - 1, 1 - 2**63):
        assert (_value(widest), type(_value(widest))) == (widest, int)
    value = _value(2**100)
    assert isinstance(value, float)
    assert value == 2.0**100
