"""Sizes as people write them: ``4 TB``, ``64 GiB``. Decimal and binary prefixes are kept apart, as in IEC 80000-13."""

import re

from laneproof.declaration.quoting import quote_value

_UNITS = {"B": 1} | {
    f"{prefix}{infix}B": base**power
    for infix, base in (("", 1000), ("i", 1024))
    for power, prefix in enumerate("KMGTPE", start=1)
}
SIZE_PATTERN = r"\s*([0-9]{1,18}(?:\.[0-9]{1,18})?)\s*([A-Za-z]+)\s*"
_SIZE = re.compile(SIZE_PATTERN)
_LARGEST = 1024**7  # a thousand times what the largest unit here counts: no box holds that much
EQUAL_WITHIN = 0.01
"""Capacities are equal within 1 %: makers round, and formatting takes a little."""


def parse_bytes(text: str | int) -> int:
    """Parse a size.

    Args:
        text: A number and a unit (``4 TB``, ``64 GiB``, ``512 B``; ``kB`` passes for ``KB``), or a number of bytes.

    Returns:
        The size in bytes.

    Raises:
        ValueError: It is no size; the sentence says which units there are.
    """
    if isinstance(text, int) and not isinstance(text, bool):
        if not 0 <= text <= _LARGEST:
            raise ValueError("a size cannot be negative" if text < 0 else "a size of that many bytes is beyond any box")
        return text
    match = _SIZE.fullmatch(text) if isinstance(text, str) else None
    unit = _UNITS.get(match[2] if match[2] != "kB" else "KB") if match else None
    if match is None or unit is None:
        raise ValueError(f"{quote_value(text)} is no size; write it as '4 TB' or '64 GiB' (units: {', '.join(_UNITS)})")
    return parse_bytes(round(float(match[1]) * unit))


def parse_rate(text: str | int) -> int:
    """Parse a rate: a size and ``/s`` (``7 GB/s``, ``550 MB/s``), or a plain number of bytes a second.

    Returns:
        Bytes a second.

    Raises:
        ValueError: It is no rate.
    """
    if isinstance(text, str):
        size, slash, second = text.rpartition("/")
        if not slash or second.strip() != "s":
            raise ValueError(f"{quote_value(text)} is no rate; write it as '7 GB/s'")
        text = size
    return parse_bytes(text)


def format_bytes(size_bytes: int, *, binary: bool = False) -> str:
    """Write a size as a person would: three digits at most after rounding, such as ``4 TB`` or ``1.92 TB``."""
    base, infix = (1024, "i") if binary else (1000, "")
    value, prefix = float(size_bytes), ""
    for next_prefix in "KMGTPE":
        if value < base * 0.9995:
            break
        value, prefix = value / base, next_prefix
    if not prefix:
        return f"{size_bytes} B"
    digits = 0 if value >= 99.95 else 1 if value >= 9.995 else 2  # noqa: PLR2004 (three digits in all)
    text = f"{value:.{digits}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {prefix}{infix}B"


def format_rate(bytes_per_second: float | None) -> str:
    """Write a rate as a person would, such as ``7.2 GB/s``; one that is not known as a question mark."""
    return "?" if bytes_per_second is None else f"{format_bytes(round(bytes_per_second))}/s"


def format_range(low: float, high: float) -> str:
    """Write a range of rates as a person would, such as ``5 to 7 GB/s``: two digits each."""
    first, last = (format_rate(float(f"{rate:.2g}")) for rate in (low, high))
    number, _, unit = first.partition(" ")
    return last if first == last else f"{number} to {last}" if last.endswith(f" {unit}") else f"{first} to {last}"


def format_bit_rate(bits_per_second: float) -> str:
    """Write a rate as the network trade does, such as ``10 Gbit/s``."""
    return f"{format_bytes(round(bits_per_second)).removesuffix('B')}bit/s"


def is_same_capacity(one_bytes: int, other_bytes: int) -> bool:
    """Whether two capacities are equal within 1 % of the larger."""
    return abs(one_bytes - other_bytes) <= EQUAL_WITHIN * max(one_bytes, other_bytes)
