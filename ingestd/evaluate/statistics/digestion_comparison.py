"""Whether a fast digestion gives the same results as the standard one, from paired tubes.

Three questions are asked of the pairs: is the mean difference more than chance (paired t
test), is it small enough to accept (interval of the mean relative difference), and does it
grow with the concentration (regression through the range)? A difference that chance does not
explain but that is certainly small is named and does not bar the fast program; scatter so wide
that a large difference could hide in it does bar it: no evidence of a difference is no
evidence of equivalence.

Source: paired t test and regression of a new method on an old one as in ISO/TS 16489 and
DIN 38402-71 (from memory); paired t: NIST/SEMATECH e-Handbook 7.3.1; regression: NIST StRD
Norris, a comparison of two instruments (tests/ingestd/evaluate/data/comparison.csv).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact, round_significant
from ingestd.evaluate.statistics.least_squares import fit_polynomial
from ingestd.evaluate.statistics.quantiles import t_quantile
from ingestd.evaluate.statistics.spread import as_decimal, mean, square_root, variance

FEWEST_PAIRS = 10
"""Pairs demanded by default (common practice, no source)."""

ALLOWED_PERCENT = Decimal(5)
"""Mean difference still accepted, percent of the pair's mean (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An estimate with its two-sided confidence interval."""

    value: Fraction
    low: Fraction
    high: Fraction

    def holds(self, number: Number) -> bool:
        """Say whether a number lies within, ends included."""
        return self.low <= exact(number) <= self.high

    def within(self, low: Number, high: Number) -> bool:
        """Say whether the whole interval lies within two bounds, ends included."""
        return exact(low) <= self.low and self.high <= exact(high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The outcome of a comparison of paired digestions.

    Attributes:
        pairs: number of pairs.
        difference: mean of fast less standard, unit of the results, with its interval.
        t: paired t, None where all differences are one and the same number.
        t_critical: two-sided.
        relative: mean difference in percent of the pair's mean, with its interval.
        slope, intercept: of fast on standard, each with its interval. Scatter of the standard
            itself flattens the slope a little: choose samples over a wide range.
        equivalent: admits the fast program.
        reasons: sentences, why not or in spite of what.

    """

    pairs: int
    difference: Interval
    t: Decimal | None
    t_critical: Decimal
    relative: Interval
    slope: Interval
    intercept: Interval
    equivalent: bool
    reasons: tuple[str, ...]


def _interval(value: Fraction, square_of_error: Fraction, t: Decimal) -> Interval:
    width = Fraction(square_root(square_of_error * Fraction(t) ** 2))
    return Interval(value=value, low=value - width, high=value + width)


def mean_interval(values: Sequence[Number], *, level: Decimal = Decimal("0.95")) -> Interval:
    """Return the mean with its two-sided t interval.

    Raises:
        ValueError: there are fewer than two values.

    Source: NIST/SEMATECH e-Handbook 1.3.5.2.

    """
    scatter = variance(values)
    t = t_quantile((1 + exact(level)) / 2, len(values) - 1)
    return _interval(mean(values), scatter / len(values), t)


def compare_digestions(
    standard: Sequence[Number],
    fast: Sequence[Number],
    *,
    fewest: int = FEWEST_PAIRS,
    allowed_percent: Number = ALLOWED_PERCENT,
    level: Decimal = Decimal("0.95"),
) -> Comparison:
    """Return whether the fast digestion may stand for the standard one in this matrix.

    Args:
        standard: results by the standard program, above zero, one per sample.
        fast: results by the fast program, above zero, in the same order.
        fewest: pairs demanded.
        allowed_percent: mean relative difference that is still accepted.
        level: two-sided confidence of the test and of all intervals.

    Raises:
        ValueError: lists of different length, fewer than three pairs, a result not above zero,
            or standard results all alike.

    """
    old, new = [exact(value) for value in standard], [exact(value) for value in fast]
    if len(old) != len(new):
        raise ValueError(f"{len(old)} standard but {len(new)} fast results; each needs its pair")
    if len(old) < 3:
        raise ValueError(f"{len(old)} pairs; nothing can be said from fewer than 3")
    if min(*old, *new) <= 0:
        raise ValueError("a result is not above zero; leave out pairs below the measuring range")
    differences = [b - a for a, b in zip(old, new, strict=True)]
    relative = mean_interval(
        [200 * (b - a) / (a + b) for a, b in zip(old, new, strict=True)], level=level
    )
    difference = mean_interval(differences, level=level)
    scatter = variance(differences)
    t = (
        as_decimal(difference.value / Fraction(square_root(scatter / len(old))))
        if scatter != 0
        else None
    )
    fit = fit_polynomial(old, new, 1)
    t_line = t_quantile((1 + exact(level)) / 2, fit.df)
    intercept, slope = (
        _interval(fit.coefficients[i], fit.residual_variance * fit.inverse[i][i], t_line)
        for i in (0, 1)
    )
    bars, remarks = _judge(
        len(old), difference, relative, slope, intercept, fewest, exact(allowed_percent)
    )
    return Comparison(
        pairs=len(old),
        difference=difference,
        t=t,
        t_critical=t_quantile((1 + exact(level)) / 2, len(old) - 1),
        relative=relative,
        slope=slope,
        intercept=intercept,
        equivalent=not bars,
        reasons=tuple(bars + remarks),
    )


def _judge(
    pairs: int,
    difference: Interval,
    relative: Interval,
    slope: Interval,
    intercept: Interval,
    fewest: int,
    allowed: Fraction,
) -> tuple[list[str], list[str]]:
    """Return the sentences that bar the fast program, and those that only remark."""
    bars, remarks = [], []
    if pairs < fewest:
        bars.append(f"{pairs} pairs; at least {fewest} are demanded")
    small = relative.within(-allowed, allowed)
    if not small:
        bars.append(
            f"the mean relative difference lies from {_short(relative.low)} to "
            f"{_short(relative.high)} %; accepted is what lies wholly within "
            f"± {_short(allowed)} %"
        )
    if not difference.holds(0):
        sentence = (
            f"the mean difference of {_short(difference.value)} is more than chance "
            f"({_short(difference.low)} to {_short(difference.high)})"
        )
        if small:
            remarks.append(f"{sentence}, but certainly small enough")
        else:
            bars.append(sentence)
    off = allowed / 100
    if not slope.holds(1):
        sentence = (
            f"the slope of {_short(slope.value)} differs from 1 "
            f"({_short(slope.low)} to {_short(slope.high)})"
        )
        if slope.within(1 - off, 1 + off):
            remarks.append(f"{sentence}, but certainly by little")
        else:
            bars.append(f"{sentence}: the difference grows with the concentration")
    if not intercept.holds(0):
        sentence = (
            f"the intercept of {_short(intercept.value)} differs from 0 "
            f"({_short(intercept.low)} to {_short(intercept.high)})"
        )
        if small:
            remarks.append(f"{sentence}, but the results differ little")
        else:
            bars.append(f"{sentence}: a constant amount is gained or lost")
    return bars, remarks


def _short(value: Fraction) -> str:
    text = f"{round_significant(value, 4):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
