"""Where a set of exact numbers lies and how far it scatters: mean, variance, median, MAD.

Sums and squares are ratios of integers, so no order of summation and no large common offset
costs a digit; the one inexact step, a square root, is rounded correctly to DIGITS digits.

Source: NIST/SEMATECH e-Handbook 1.3.5.1 and 1.3.5.6; NIST StRD univariate sets reproduce to
every certified digit (tests/ingestd/evaluate/data/univariate.csv).
"""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from math import isqrt

from ingestd.evaluate.rounding import Number, exact, leading_place, round_significant

DIGITS = 40
"""Significant digits of every root and quotient that cannot be exact."""

MAD_TO_SD = Decimal("1.4826")
"""Factor from median absolute deviation to standard deviation of normal data.

Source: 1 / (upper quartile of the standard normal), as printed in ISO 13528 for MADe (from
memory; recomputed in the tests).
"""


def as_decimal(value: Number) -> Decimal:
    """Return an exact ratio as a Decimal of DIGITS significant digits, half to even."""
    return round_significant(value, DIGITS)


def square_root(value: Number) -> Decimal:
    """Return the root, correctly rounded to DIGITS significant digits.

    Raises:
        ValueError: the value is below zero or not finite.

    """
    square = exact(value)
    if square < 0:
        raise ValueError(f"no square root of {as_decimal(square)}: it is below zero")
    if square == 0:
        return Decimal(0)
    place = leading_place(square) // 2 - DIGITS + 1
    scaled = square / Fraction(100) ** place
    root = isqrt(int(scaled))
    # The nearest integer is root or root + 1: compare with the square of root + 1/2.
    if 4 * scaled > (2 * root + 1) ** 2:
        root += 1
    digits = str(root)
    kept = digits.rstrip("0")  # 2, not 2.000...: an exact root stays short
    return Decimal((0, tuple(map(int, kept)), place + len(digits) - len(kept)))


def _at_least(values: Sequence[Number], count: int, what: str) -> None:
    if len(values) < count:
        raise ValueError(f"{what} needs at least {count} values; {len(values)} given")


def mean(values: Sequence[Number]) -> Fraction:
    """Return the arithmetic mean, exact, in the unit of the values.

    Raises:
        ValueError: there is no value, or one is not finite.

    """
    _at_least(values, 1, "a mean")
    return sum(map(exact, values), Fraction(0)) / len(values)


def variance(values: Sequence[Number]) -> Fraction:
    """Return the variance with n - 1 in the denominator, exact, in the unit squared.

    Raises:
        ValueError: there are fewer than two values, or one is not finite.

    """
    _at_least(values, 2, "a variance")
    centre = mean(values)
    return sum(((exact(v) - centre) ** 2 for v in values), Fraction(0)) / (len(values) - 1)


def standard_deviation(values: Sequence[Number]) -> Decimal:
    """Return the standard deviation (n - 1), DIGITS digits, in the unit of the values.

    Raises:
        ValueError: there are fewer than two values, or one is not finite.

    """
    return square_root(variance(values))


def relative_standard_deviation(values: Sequence[Number]) -> Decimal | None:
    """Return the standard deviation in percent of the mean's size; None where the mean is 0.

    Raises:
        ValueError: there are fewer than two values, or one is not finite.

    """
    spread = variance(values)
    centre = mean(values)
    return None if centre == 0 else square_root(spread * 10000 / centre**2)


def median(values: Sequence[Number]) -> Fraction:
    """Return the middle value, or the mean of the two middle ones, exact.

    Raises:
        ValueError: there is no value, or one is not finite.

    """
    _at_least(values, 1, "a median")
    ordered = sorted(map(exact, values))
    upper = len(ordered) // 2
    return (ordered[upper] + ordered[-upper - 1]) / 2


def median_absolute_deviation(values: Sequence[Number]) -> Fraction:
    """Return the median distance from the median, exact, not yet scaled to a sd.

    Raises:
        ValueError: there is no value, or one is not finite.

    """
    centre = median(values)
    return median([abs(exact(v) - centre) for v in values])
