"""How far a counter moved on between two readings. One that fell began again: what it counted meanwhile is unknown."""


def moved_on(before: int | None, now: int) -> int | None:
    """Give how far a counter moved on.

    Args:
        before: Its value at the reading before, None where there was none.
        now: Its value now.

    Returns:
        By how much it grew; None where that cannot be told: it was not read before, or fell and so began again.
    """
    return None if before is None or now < before else now - before
