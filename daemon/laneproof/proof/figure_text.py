"""How figures of a run are written: powers of ten, counts, and times."""

_MINUTE, _HOUR = 60.0, 3600.0


def say_power(value: float) -> str:
    """Write a very large or small figure with two digits: ``4.1e13``, ``1e-12``."""
    digits, _, power = f"{value:.1e}".partition("e")
    return f"{digits.removesuffix('.0')}e{int(power)}" if value else "0"


def say_count(count: int, what: str) -> str:
    """Write a count with its noun: ``no error``, ``1 error``, ``9 errors``."""
    return f"{count or 'no'} {what}{'' if count in (0, 1) else 's'}"


def say_seconds(seconds: float) -> str:
    """Write a time as a person would: ``48 s``, ``6 min``, ``2.5 h``."""
    if seconds < 2 * _MINUTE:
        return f"{seconds:.0f} s"
    return f"{seconds / _MINUTE:.0f} min" if seconds < 2 * _HOUR else f"{seconds / _HOUR:.1f} h"


def say_microseconds(microseconds: float | None) -> str:
    """Write the time of a read: ``85 us``, ``12 ms``; one that is not known as a question mark."""
    if microseconds is None:
        return "?"
    if microseconds < 1000.0:  # noqa: PLR2004 (a second) (a millisecond)
        return f"{microseconds:.0f} us"
    return f"{microseconds / 1000.0:.0f} ms" if microseconds < 1e6 else f"{microseconds / 1e6:.1f} s"  # noqa: PLR2004 (a second)
