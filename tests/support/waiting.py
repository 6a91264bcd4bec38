"""Waiting in a test for what another thread does."""

import time
from collections.abc import Callable
from typing import TypeVar

_Value = TypeVar("_Value")
PATIENCE_SECONDS = 90.0
"""For a thread. Only a hang reaches it: with twenty programs waiting for the processors no test waited 30 s."""
SERVICE_PATIENCE_SECONDS = 180.0
"""For a service as a process of its own: it starts in 5 s of processor time, for which that machine took a minute."""


def wait_for(what: Callable[[], _Value]) -> _Value:
    """Give the first true value of a condition."""
    end = time.monotonic() + PATIENCE_SECONDS
    while not (value := what()):
        assert time.monotonic() < end, f"not within {PATIENCE_SECONDS:g} s"
        time.sleep(0.005)
    return value
