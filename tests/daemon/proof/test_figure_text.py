"""How figures of a run are written."""

import pytest

from laneproof.proof.figure_text import say_count, say_microseconds, say_power, say_seconds


@pytest.mark.parametrize(
    ("value", "said"), [(4.1e13, "4.1e13"), (1e-12, "1e-12"), (9.96e12, "1e13"), (0.0, "0"), (2.995e12, "3e12")]
)
def test_a_power_has_two_digits(value: float, said: str) -> None:
    assert say_power(value) == said


@pytest.mark.parametrize(("count", "said"), [(0, "no error"), (1, "1 error"), (2, "2 errors")])
def test_a_count_agrees_with_its_noun(count: int, said: str) -> None:
    assert say_count(count, "error") == said


@pytest.mark.parametrize(("seconds", "said"), [(48, "48 s"), (374, "6 min"), (9000, "2.5 h")])
def test_a_time_is_said_as_a_person_would(seconds: float, said: str) -> None:
    assert say_seconds(seconds) == said


@pytest.mark.parametrize(
    ("us", "said"), [(None, "?"), (85.4, "85 us"), (1000.0, "1 ms"), (31_500.0, "32 ms"), (2.5e6, "2.5 s")]
)
def test_a_read_s_time(us: float | None, said: str) -> None:
    assert say_microseconds(us) == said
