"""The incomplete gamma and beta functions, their tails in logarithms, and their inverses.

Everything that counts errors exactly rests on these two. They are written here because the daemon shares a small box
and carries no numerical library; the tests hold them against one. Tails are natural logarithms, since the probability
that a failing link was sound can lie far below the smallest float. Both tails come together: whichever is small is
computed itself, and the other one from it, so that neither loses digits.

Accuracy: 1e-10 relative or better for parameters up to some 1e6 (the time grows with their square root, and only near
the mean). What it does not do: complex or negative parameters.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

_EPSILON = 2.0**-53
_TINY = 1e-300  # stands in for a zero denominator in a continued fraction
_MOST_TERMS = 2_000_000  # a guard against an endless loop; a count of 1e9 at its own mean needs some 3e5
_FAR_BELOW = -0.3  # a mean so far below its count: there e itself has lost digits
_STIRLING_REACH = 16.0  # from here the asymptotic series below is exact to the last bit
_LN_2 = math.log(2.0)
_HALF_LN_TWO_PI = 0.5 * math.log(2.0 * math.pi)
_STIRLING_TERMS = (1 / 12, -1 / 360, 1 / 1260, -1 / 1680, 1 / 1188, -691 / 360360)


@dataclass(frozen=True, slots=True)
class LogTails:
    """Natural logarithms of the two tails of a distribution at one point; their exponentials add up to one."""

    lower: float
    upper: float

    def swapped(self) -> "LogTails":
        """Give the same tails seen from the other side."""
        return LogTails(self.upper, self.lower)


def log_complement(log_p: float) -> float:
    """Give ln(1 - p) for p given as a logarithm, without losing digits at either end.

    Args:
        log_p: ln p; a value just above zero (rounding) counts as zero.

    Returns:
        ln(1 - p), which is minus infinity for p = 1.
    """
    if log_p >= 0.0:
        return -math.inf
    return math.log(-math.expm1(log_p)) if log_p > -_LN_2 else math.log1p(-math.exp(log_p))


def _deviance(x: float, mean: float) -> float:
    # x ln(x / mean) + mean - x: how far a count lies from its mean, the exponent in the saddle-point form of the
    # Poisson and binomial probabilities.
    # Source: C. Loader, Fast and Accurate Computation of Binomial Probabilities (2000); from memory.
    e = (mean - x) / x
    if e > _FAR_BELOW:
        return -x * (math.log1p(e) - e)  # what cancels here is less than x e times the last digit
    return x * (math.log(x) - math.log(mean)) + mean - x if mean > 0.0 else math.inf


def _stirling_error(z: float) -> float:
    # ln Gamma(z + 1) minus Stirling's formula. Source: DLMF 5.11.1 (coefficients B(2k) / (2k (2k - 1))).
    if z < _STIRLING_REACH:
        return math.lgamma(z + 1.0) - (z + 0.5) * math.log(z) + z - _HALF_LN_TWO_PI
    inverse_square = 1.0 / (z * z)
    total = 0.0
    for coefficient in reversed(_STIRLING_TERMS):
        total = total * inverse_square + coefficient
    return total / z


def _log_gamma_weight(a: float, x: float) -> float:
    # ln(x^a e^-x / Gamma(a + 1)), for a whole number the Poisson probability of a at mean x.
    return -_deviance(a, x) - _stirling_error(a) - _HALF_LN_TWO_PI - 0.5 * math.log(a)


def log_binomial_weight(successes: float, failures: float, p: float, q: float) -> float:
    """The probability of exactly so many successes and failures, exact to the last digits for counts of any size.

    Args:
        successes: How many, zero or more, not only whole numbers.
        failures: Likewise.
        p: Chance of a success.
        q: Chance of a failure, 1 - p.

    Returns:
        ln(C(n, successes) p^successes q^failures).

    Source: C. Loader, Fast and Accurate Computation of Binomial Probabilities (2000); from memory.
    """
    n = successes + failures
    if successes == 0.0 or failures == 0.0:
        chance = q if successes == 0.0 else p
        if n == 0.0:
            return 0.0
        return n * math.log(chance) if chance > 0.0 else -math.inf
    if p == 0.0 or q == 0.0:
        return -math.inf
    spread = _stirling_error(n) - _stirling_error(successes) - _stirling_error(failures)
    distance = _deviance(successes, n * p) + _deviance(failures, n * q)
    return spread - distance - _HALF_LN_TWO_PI - 0.5 * (math.log(successes) + math.log(failures / n))


def _gamma_series(a: float, x: float) -> float:
    # P(a, x) over its weight: 1 + x/(a+1) + x^2/((a+1)(a+2)) + ...   Source: DLMF 8.7.1.
    term = total = 1.0
    for n in range(1, _MOST_TERMS):
        term *= x / (a + n)
        total += term
        if term < _EPSILON * total:
            return total
    raise ArithmeticError(f"the incomplete gamma series did not settle at a = {a:g}, x = {x:g}")


def _gamma_fraction(a: float, x: float) -> float:
    # Gamma(a, x) over x^a e^-x: the even part of its continued fraction, by Lentz's method.   Source: DLMF 8.9.2.
    b = x + 1.0 - a
    c = 1.0 / _TINY
    value = d = 1.0 / (b if b != 0.0 else _TINY)
    for n in range(1, _MOST_TERMS):
        numerator = n * (a - n)
        b += 2.0
        d = 1.0 / ((numerator * d + b) or _TINY)
        c = (b + numerator / c) or _TINY
        step = c * d
        value *= step
        if abs(step - 1.0) <= 2.0 * _EPSILON:
            return value
    raise ArithmeticError(f"the incomplete gamma fraction did not settle at a = {a:g}, x = {x:g}")


def _beta_fraction(a: float, b: float, x: float) -> float:
    # I_x(a, b) over x^a (1-x)^b / (a B(a, b)), by Lentz's method.   Source: DLMF 8.17.22.
    c = 1.0
    value = d = 1.0 / ((1.0 - (a + b) * x / (a + 1.0)) or _TINY)
    for m in range(1, _MOST_TERMS):
        place = a + 2.0 * m
        numerator = m * (b - m) * x / ((place - 1.0) * place)
        d = 1.0 / ((1.0 + numerator * d) or _TINY)
        c = (1.0 + numerator / c) or _TINY
        value *= c * d
        numerator = -(a + m) * (a + b + m) * x / (place * (place + 1.0))
        d = 1.0 / ((1.0 + numerator * d) or _TINY)
        c = (1.0 + numerator / c) or _TINY
        step = c * d
        value *= step
        if abs(step - 1.0) <= 2.0 * _EPSILON:
            return value
    raise ArithmeticError(f"the incomplete beta fraction did not settle at a = {a:g}, b = {b:g}, x = {x:g}")


def log_gamma_tails(a: float, x: float) -> LogTails:
    """Regularised incomplete gamma functions P(a, x) and Q(a, x) as logarithms.

    Args:
        a: Shape, above zero.
        x: Where to cut, zero or more, infinity allowed.

    Returns:
        ln P (lower) and ln Q (upper).

    Raises:
        ValueError: The shape or the point lies outside of these.

    Source: NIST Digital Library of Mathematical Functions (DLMF), chapter 8.
    """
    if not (0.0 < a < math.inf and x >= 0.0):
        raise ValueError(
            f"the incomplete gamma function needs a shape above 0 and a point from 0 on, not {a!r} and {x!r}"
        )
    if x == 0.0:
        return LogTails(-math.inf, 0.0)
    if x == math.inf:
        return LogTails(0.0, -math.inf)
    weight = _log_gamma_weight(a, x)
    if x < a + 1.0:
        lower = min(weight + math.log(_gamma_series(a, x)), 0.0)
        return LogTails(lower, log_complement(lower))
    upper = min(weight + math.log(a * _gamma_fraction(a, x)), 0.0)
    return LogTails(log_complement(upper), upper)


def log_beta_tails(a: float, b: float, x: float, y: float | None = None) -> LogTails:
    """Regularised incomplete beta function I_x(a, b) and its complement as logarithms.

    Args:
        a: First shape, above zero.
        b: Second shape, above zero.
        x: Where to cut, 0 to 1.
        y: 1 - x where the caller knows it more exactly than the subtraction would give it.

    Returns:
        ln I_x(a, b) (lower) and ln(1 - I_x(a, b)) (upper).

    Raises:
        ValueError: A shape or the point lies outside of these.

    Source: NIST Digital Library of Mathematical Functions (DLMF) 8.17.
    """
    if not (0.0 < a < math.inf and 0.0 < b < math.inf and 0.0 <= x <= 1.0):
        raise ValueError(
            f"the incomplete beta function needs shapes above 0 and a point in 0..1, not {a!r}, {b!r}, {x!r}"
        )
    if y is None:
        y = 1.0 - x
    if x == 0.0:
        return LogTails(-math.inf, 0.0)
    if y == 0.0:
        return LogTails(0.0, -math.inf)
    if x * (a + b + 2.0) > a + 1.0:  # beyond the mean the fraction settles slowly; seen from the other side it does not
        return _beta_tails_direct(b, a, y, x).swapped()
    return _beta_tails_direct(a, b, x, y)


def _beta_tails_direct(a: float, b: float, x: float, y: float) -> LogTails:
    # The weight carries a binomial coefficient: x^a y^b / (a B(a, b)) is weight * b / (a + b).
    lower = min(log_binomial_weight(a, b, x, y) + math.log(b / (a + b) * _beta_fraction(a, b, x)), 0.0)
    return LogTails(lower, log_complement(lower))


def log_chi_square_at_least(x: float, degrees: float) -> float:
    """How likely is a chi-square value of `x` or more, as a natural logarithm?

    Raises:
        ValueError: The value is negative, or the degrees of freedom are not above zero.

    Source: DLMF 8.2; the chi-square distribution is a gamma distribution of half the degrees and twice the scale.
    """
    return log_gamma_tails(degrees / 2.0, x / 2.0).upper


def log_normal_at_least(z: float) -> float:
    """How likely is a standard normal value of `z` or more, of either sign, as a natural logarithm?

    Source: DLMF 7.11.2; z squared is chi-square with one degree of freedom.
    """
    beyond = log_chi_square_at_least(z * z, 1.0) - _LN_2
    return beyond if z >= 0.0 else log_complement(beyond)


def gamma_quantile(a: float, p: float, *, upper: bool = False) -> float:
    """Where a gamma distribution of unit scale leaves the given probability.

    Args:
        a: Shape, above zero.
        p: The probability below the answer, 0 to 1.
        upper: Take `p` as the probability above the answer instead.

    Returns:
        x with P(a, x) = p (or Q(a, x) = p).

    Raises:
        ValueError: The shape or the probability lies outside of these.
    """
    if not (0.0 < a < math.inf and 0.0 <= p <= 1.0):
        raise ValueError(f"a gamma quantile needs a shape above 0 and a probability in 0..1, not {a!r} and {p!r}")
    if p in {0.0, 1.0}:
        return math.inf if (p == 1.0) != upper else 0.0

    def tails(t: float) -> tuple[LogTails, float]:
        x = math.exp(t)
        return log_gamma_tails(a, x), math.log(a) + _log_gamma_weight(a, x)

    return math.exp(_solve(tails, p, upper=upper, start=math.log(a)))


def beta_quantile(a: float, b: float, p: float, *, upper: bool = False) -> tuple[float, float]:
    """Where a beta distribution leaves the given probability.

    Args:
        a: First shape, above zero.
        b: Second shape, above zero.
        p: The probability below the answer, 0 to 1.
        upper: Take `p` as the probability above the answer instead.

    Returns:
        x with I_x(a, b) = p (or 1 - p), and 1 - x: near one end the difference would lose the digits that odds need.

    Raises:
        ValueError: A shape or the probability lies outside of these.
    """
    if not (0.0 < a < math.inf and 0.0 < b < math.inf and 0.0 <= p <= 1.0):
        raise ValueError(f"a beta quantile needs shapes above 0 and a probability in 0..1, not {a!r}, {b!r}, {p!r}")
    if p in {0.0, 1.0}:
        return (1.0, 0.0) if (p == 1.0) != upper else (0.0, 1.0)

    def tails(t: float) -> tuple[LogTails, float]:
        x, y = _from_logit(t)
        return log_beta_tails(a, b, x, y), math.log(a * (b / (a + b))) + log_binomial_weight(a, b, x, y)

    return _from_logit(_solve(tails, p, upper=upper, start=math.log(a / b)))


def _from_logit(t: float) -> tuple[float, float]:
    small = math.exp(-abs(t))
    near, far = 1.0 / (1.0 + small), small / (1.0 + small)
    return (near, far) if t > 0.0 else (far, near)


def _solve(tails: Callable[[float], tuple[LogTails, float]], p: float, *, upper: bool, start: float) -> float:
    # Newton's method on the logarithm of the smaller tail. Seen over t = ln x, or over the logit, both distributions
    # have log-concave densities, hence log-concave tails: each tangent lies above the curve, so that after one step the
    # search stands on the side where the tail is too small and from there approaches without overshooting.
    if p > 0.5:  # noqa: PLR2004 - one half: the other tail is the smaller one
        p, upper = 1.0 - p, not upper
    target = math.log(p) if p > 0.0 else -math.inf
    t = start
    for _ in range(200):
        both, log_density = tails(t)
        tail = both.upper if upper else both.lower
        step = (target - tail) * math.exp(min(tail - log_density, 700.0))
        step = max(-8.0, min(8.0, -step if upper else step))
        t += step
        if abs(step) <= 4.0 * _EPSILON * max(1.0, abs(t)):
            return t
    return t
