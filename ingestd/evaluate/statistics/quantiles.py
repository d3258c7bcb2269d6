"""Probabilities and quantiles of the normal, t, F and chi-square distributions.

All four reduce to two functions: the regularised incomplete beta function (t and F) and the
regularised incomplete gamma function (chi-square, and the normal as the root of chi-square
with one degree of freedom). Degrees of freedom are whole numbers, so gamma functions occur at
multiples of one half only and need no approximation. Work is done in Decimal with 50 digits,
whose exp, ln and sqrt are the same on every machine: a replay elsewhere gives the same digits.
Quantiles are found by bisection, which cannot diverge, and are remembered.

Source: Abramowitz and Stegun 6.5.29 (series), 26.5.2, 26.5.8 (continued fraction), 26.5.27,
26.5.28, 26.4.1; tables checked in tests/ingestd/evaluate/data/quantiles.csv.
"""

from collections.abc import Callable
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from functools import lru_cache
from math import factorial, prod

from ingestd.evaluate.rounding import Number, exact, round_significant

PI = Decimal("3.14159265358979323846264338327950288419716939937510582097494459230781640628620900")
DIGITS = 25
"""Significant digits returned."""

_CONTEXT = Context(prec=50)
_SMALLEST_TERM = Decimal("1e-42")
_CLOSE_ENOUGH = Decimal("1e-28")


def normal_probability(z: Number) -> Decimal:
    """Return the probability of a standard normal value at or below z."""
    within = chi_square_probability(exact(z) ** 2, 1)
    with localcontext(_CONTEXT):
        return +((1 + within) / 2 if exact(z) >= 0 else (1 - within) / 2)


def t_probability(t: Number, df: int) -> Decimal:
    """Return the probability of a t value at or below t.

    Args:
        t: any number.
        df: degrees of freedom, at least 1.

    """
    _check_df(df)
    square = exact(t) ** 2
    with localcontext(_CONTEXT):
        within = _beta_share(_decimal(square / (df + square)), 1, df)
        return +((1 + within) / 2 if exact(t) >= 0 else (1 - within) / 2)


def f_probability(f: Number, df_above: int, df_below: int) -> Decimal:
    """Return the probability of a variance ratio at or below f.

    Args:
        f: ratio of variances, not below 0.
        df_above: degrees of freedom of the numerator, at least 1.
        df_below: degrees of freedom of the denominator, at least 1.

    """
    _check_df(df_above, df_below)
    ratio = _not_negative(f)
    with localcontext(_CONTEXT):
        share = df_above * ratio / (df_above * ratio + df_below)
        return _beta_share(_decimal(share), df_above, df_below)


def chi_square_probability(x: Number, df: int) -> Decimal:
    """Return the probability of a chi-square value at or below x.

    Args:
        x: sum of squares, not below 0.
        df: degrees of freedom, at least 1.

    """
    _check_df(df)
    half = _not_negative(x) / 2
    with localcontext(_CONTEXT):
        return _gamma_share(_decimal(half), df)


@lru_cache(maxsize=4096)
def normal_quantile(p: Number) -> Decimal:
    """Return the z below which a standard normal value falls with probability p.

    Raises:
        ValueError: p is not between 0 and 1.

    """
    probability = _check_probability(p)
    root = chi_square_quantile(abs(2 * probability - 1), 1) if 2 * probability != 1 else Decimal(0)
    with localcontext(_CONTEXT):
        return _signed(root.sqrt(), probability)


@lru_cache(maxsize=4096)
def t_quantile(p: Number, df: int) -> Decimal:
    """Return the t below which a value falls with probability p.

    Two-sided 95 % is p = 0.975.

    Raises:
        ValueError: p is not between 0 and 1, or df is below 1.

    """
    _check_df(df)
    probability = _check_probability(p)
    if 2 * probability == 1:
        return Decimal(0)
    with localcontext(_CONTEXT):
        within = _decimal(abs(2 * probability - 1))
        share = _bisect(lambda x: _beta_share(x, 1, df), within, Decimal(1))
        return _signed((df * share / (1 - share)).sqrt(), probability)


@lru_cache(maxsize=4096)
def f_quantile(p: Number, df_above: int, df_below: int) -> Decimal:
    """Return the variance ratio below which a ratio falls with probability p.

    Raises:
        ValueError: p is not between 0 and 1, or a df is below 1.

    """
    _check_df(df_above, df_below)
    with localcontext(_CONTEXT):
        target = _decimal(_check_probability(p))
        share = _bisect(lambda x: _beta_share(x, df_above, df_below), target, Decimal(1))
        return _kept(df_below * share / (df_above * (1 - share)))


@lru_cache(maxsize=4096)
def chi_square_quantile(p: Number, df: int) -> Decimal:
    """Return the value below which a chi-square sum falls with probability p.

    Raises:
        ValueError: p is not between 0 and 1, or df is below 1.

    """
    _check_df(df)
    with localcontext(_CONTEXT):
        target = _decimal(_check_probability(p))
        high = Decimal(df)
        while _gamma_share(high / 2, df) < target:
            high *= 2
        return _kept(_bisect(lambda x: _gamma_share(x / 2, df), target, high))


def _check_df(*given: int) -> None:
    for df in given:
        if df < 1:
            raise ValueError(f"{df} degrees of freedom; at least 1 is needed")


def _check_probability(p: Number) -> Fraction:
    probability = exact(p)
    if not 0 < probability < 1:
        raise ValueError(f"probability {p} is not between 0 and 1")
    return probability


def _not_negative(value: Number) -> Fraction:
    amount = exact(value)
    if amount < 0:
        raise ValueError(f"{value} is below zero; sums and ratios of squares are not")
    return amount


def _decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)


def _kept(value: Decimal) -> Decimal:
    return round_significant(value, DIGITS)


def _signed(size: Decimal, probability: Fraction) -> Decimal:
    return _kept(size if 2 * probability >= 1 else -size)


def _bisect(probability: Callable[[Decimal], Decimal], target: Decimal, high: Decimal) -> Decimal:
    """Return where a rising probability reaches the target, between 0 and high."""
    low = Decimal(0)
    while high - low > high * _CLOSE_ENOUGH:
        middle = (low + high) / 2
        if probability(middle) < target:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@lru_cache(maxsize=4096)
def _gamma_of_half(twice: int) -> Decimal:
    """Return the gamma function of twice/2, twice >= 1, in the working precision."""
    if twice % 2 == 0:
        return +Decimal(factorial(twice // 2 - 1))
    return Decimal(prod(range(1, twice - 1, 2))) / (1 << (twice // 2)) * PI.sqrt()


def _power(x: Decimal, twice: int) -> Decimal:
    """Return x to the power twice/2, in the working precision."""
    whole: Decimal = x ** (twice // 2)
    return whole * x.sqrt() if twice % 2 else whole


def _gamma_share(x: Decimal, df: int) -> Decimal:
    """Return the regularised lower incomplete gamma function P(df/2, x)."""
    order = Decimal(df) / 2
    term = total = 1 / order
    # Every term is positive, so nothing cancels; terms fall once the index passes x.
    while term > total * _SMALLEST_TERM:
        order += 1
        term *= x / order
        total += term
    if x == 0:
        return Decimal(0)
    return total * _power(x, df) * (-x).exp() / _gamma_of_half(df)


def _beta_share(x: Decimal, twice_a: int, twice_b: int) -> Decimal:
    """Return the regularised incomplete beta function I_x(twice_a/2, twice_b/2)."""
    if x in (0, 1):
        return x
    a, b = Decimal(twice_a) / 2, Decimal(twice_b) / 2
    if x > (a + 1) / (a + b + 2):  # the fraction below converges fast only on this side
        return 1 - _beta_share(1 - x, twice_b, twice_a)
    complete = (
        _gamma_of_half(twice_a) * _gamma_of_half(twice_b) / _gamma_of_half(twice_a + twice_b)
    )
    front = _power(x, twice_a) * _power(1 - x, twice_b) / (a * complete)
    return front / _beta_denominator(x, a, b)


def _beta_denominator(x: Decimal, a: Decimal, b: Decimal) -> Decimal:
    """Return 1 + d1/(1 + d2/(1 + ...)), A&S 26.5.8, by the forward recurrence of Lentz."""
    value = ahead = Decimal(1)
    behind = Decimal(0)
    step = Decimal(0)
    m = 0
    while abs(step - 1) > _SMALLEST_TERM:
        step = Decimal(1)
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        m += 1
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        for coefficient in (odd, even):
            behind = 1 / (1 + coefficient * behind)
            ahead = 1 + coefficient / ahead
            step *= ahead * behind
        value *= step
    return value
