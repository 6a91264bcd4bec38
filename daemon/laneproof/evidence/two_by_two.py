"""Tables of two by two: does one thing go together with another, also when a third is held fixed?

A table is written ``(a, b, c, d)``: with the feature a happened and b did not, without it c happened and d did not.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from laneproof.evidence.distributions import Surprise, require_count
from laneproof.evidence.not_enough import NotEnough
from laneproof.evidence.special_functions import log_binomial_weight, log_chi_square_at_least, log_complement

Table = tuple[int, int, int, int]

_NEGLIGIBLE = 1e-18  # a term of the sum this much below the total changes no digit


@dataclass(frozen=True, slots=True, kw_only=True)
class FisherTest(Surprise):
    """An exact test of one table."""

    # odds with the feature over odds without it; infinity where a zero stands below, None where nothing happened, or it
    # always did
    odds_ratio: float | None


def _require_table(table: Table) -> None:
    for cell in table:
        require_count(cell, "each cell of the table")


def _log_exactly(a: int, with_feature: int, happened: int, total: int) -> float:
    # The hypergeometric probability as a ratio of three binomial ones, which stays exact for large tables.
    # Source: C. Loader, Fast and Accurate Computation of Binomial Probabilities (2000); from memory.
    p, q = happened / total, (total - happened) / total
    rest = happened - a
    return (
        log_binomial_weight(a, with_feature - a, p, q)
        + log_binomial_weight(rest, total - with_feature - rest, p, q)
        - log_binomial_weight(happened, total - happened, p, q)
    )


def fisher(table: Table) -> FisherTest | NotEnough:
    """Does it happen more often with the feature than without?

    Args:
        table: (a, b, c, d): with the feature, happened and not; without it, happened and not.

    Returns:
        The one-sided exact test, and the odds ratio of the sample.

    Raises:
        ValueError: A cell is negative.

    Source: R. A. Fisher, Statistical Methods for Research Workers, section 21.02 (hypergeometric tail); from memory.
    """
    _require_table(table)
    a, b, c, d = table
    if a + b == 0 or c + d == 0:
        return NotEnough("nothing was seen on one of the two sides")
    below, above = b * c, a * d
    odds_ratio = None if above == below == 0 else (above / below if below else math.inf)
    return FisherTest(log_p=_log_at_least(table), odds_ratio=odds_ratio)


def _log_at_least(table: Table) -> float:
    a, b, c, d = table
    with_feature, happened, total = a + b, a + c, a + b + c + d
    least, most = max(0, happened - (c + d)), min(with_feature, happened)
    if a == least:
        return 0.0
    upward = a * total >= with_feature * happened
    # from here away from the mean each term is smaller than the one before; the other tail is the rest
    here = a if upward else a - 1
    term = sum_over_first = 1.0
    for k in range(here, most) if upward else range(here, least, -1):
        if upward:
            term *= (with_feature - k) * (happened - k) / ((k + 1) * (total - with_feature - happened + k + 1))
        else:
            term *= k * (total - with_feature - happened + k) / ((with_feature - k + 1) * (happened - k + 1))
        sum_over_first += term
        if term < _NEGLIGIBLE * sum_over_first:
            break
    log_tail = min(0.0, _log_exactly(here, with_feature, happened, total) + math.log(sum_over_first))
    return log_tail if upward else log_complement(log_tail)


@dataclass(frozen=True, slots=True, kw_only=True)
class StratifiedTest(Surprise):
    """Several tables of the same question, each with a third thing held fixed."""

    chi_square: float  # the statistic, one degree of freedom, corrected for continuity
    odds_ratio: float  # the common odds ratio; infinity where a zero stands below


def mantel_haenszel(tables: Iterable[Table]) -> StratifiedTest | NotEnough:
    """Does it happen more often with the feature, once a third thing is held fixed?

    Args:
        tables: One table (a, b, c, d) for each value of the third thing.

    Returns:
        The test. Its p is two-sided, as published.

    Raises:
        ValueError: A cell is negative.

    Source: N. Mantel, W. Haenszel, J. National Cancer Institute 22 (1959) 719.
    """
    seen = expected = variance = over = under = 0.0
    for table in tables:
        _require_table(table)
        a, b, c, d = table
        n = a + b + c + d
        if n < 2:  # noqa: PLR2004 - one case has no variance
            continue
        seen += a
        expected += (a + b) * (a + c) / n
        variance += (a + b) * (c + d) * (a + c) * (b + d) / (n * n * (n - 1))
        over += a * d / n
        under += b * c / n
    if variance == 0.0:
        return NotEnough("within each group the feature, or the outcome, was always the same")
    chi_square = max(0.0, abs(seen - expected) - 0.5) ** 2 / variance
    return StratifiedTest(
        log_p=log_chi_square_at_least(chi_square, 1),
        chi_square=chi_square,
        odds_ratio=over / under if under else math.inf,  # where both are zero, the variance is too
    )
