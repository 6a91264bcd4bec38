"""Waiting in a test for what another thread does."""

import time
from collections.abc import Callable
from typing import TypeVar

_Value = TypeVar("_Value")
PATIENCE_SECONDS = 30.0


def wait_for(what: Callable[[], _Value]) -> _Value:
    """Give the first true value of a condition."""
    end = time.monotonic() + PATIENCE_SECONDS
    while not (value := what()):
        assert time.monotonic() < end, f"not within {PATIENCE_SECONDS:g} s"
        time.sleep(0.005)
    return value
