"""How far a counter moved on between two readings. One that fell began again: what it counted meanwhile is unknown."""

import math


def fell(before: float | None, now: float) -> bool:
    """Whether a counter fell, and so began again; False where it was not read before."""
    return before is not None and now < before


def moved_on(before: int | None, now: int, *, most: float = math.inf) -> int | None:
    """Give how far a counter moved on; None where that is not known.

    It was not read before, fell and so began again, or grew by more than `most`, which is more than it can.
    """
    return None if before is None or fell(before, now) or now - before > most else now - before
