"""Centre, warning and action limits of control charts, from a named period of values.

A chart of means watches for drift, a chart of ranges for scatter. Warning limits stand two
standard deviations from the centre, action limits three; a value is outside when strictly
beyond. Limits are computed once from a period and then kept: who changes them is a person.

Source: ISO 7870-2, table 2 (factors; seen in textbook copies and recomputed by integration in
the tests); NIST/SEMATECH e-Handbook 6.3.2.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.spread import mean, standard_deviation

FEWEST_IN_PERIOD = 20
"""Values a period should have before limits are set (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Factors:
    """Factors of the range of n normal values, as tabulated to three decimals.

    `d2` and `d3` are mean and standard deviation of the range in units of sigma; `a2` turns
    the mean range into the action distance of a mean; `lower` (D3) and `upper` (D4) turn it
    into the action limits of the range.
    """

    d2: Decimal
    d3: Decimal
    a2: Decimal
    lower: Decimal
    upper: Decimal


def _factors(d2: str, d3: str, a2: str, lower: str, upper: str) -> Factors:
    return Factors(
        d2=Decimal(d2), d3=Decimal(d3), a2=Decimal(a2), lower=Decimal(lower), upper=Decimal(upper)
    )


FACTORS = {
    2: _factors("1.128", "0.853", "1.880", "0", "3.267"),
    3: _factors("1.693", "0.888", "1.023", "0", "2.574"),
    4: _factors("2.059", "0.880", "0.729", "0", "2.282"),
    5: _factors("2.326", "0.864", "0.577", "0", "2.114"),
    6: _factors("2.534", "0.848", "0.483", "0", "2.004"),
    7: _factors("2.704", "0.833", "0.419", "0.076", "1.924"),
    8: _factors("2.847", "0.820", "0.373", "0.136", "1.864"),
    9: _factors("2.970", "0.808", "0.337", "0.184", "1.816"),
    10: _factors("3.078", "0.797", "0.308", "0.223", "1.777"),
}
"""Range factors by group size."""


def factors_for(n: int) -> Factors:
    """Return the range factors of groups of n.

    Raises:
        ValueError: n is not from 2 to 10, where ranges are of use.

    """
    if n not in FACTORS:
        raise ValueError(f"groups of {n}; range factors are tabulated for 2 to 10 values")
    return FACTORS[n]


Zone = Literal["inside", "warning", "action"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLimits:
    """Five lines of a chart, from the lower action limit to the upper, exact."""

    lower_action: Fraction
    lower_warning: Fraction
    centre: Fraction
    upper_warning: Fraction
    upper_action: Fraction

    def zone(self, value: Number) -> Zone:
        """Say where a value falls; on a limit is not yet beyond it."""
        at = exact(value)
        if at < self.lower_action or at > self.upper_action:
            return "action"
        if at < self.lower_warning or at > self.upper_warning:
            return "warning"
        return "inside"

    def distance(self, value: Number) -> Fraction:
        """Return the signed distance from the centre in standard deviations of the chart.

        For a range chart, whose lower limit may stand at zero, only the upper side counts.

        Raises:
            ValueError: the action limit stands on the centre, so that nothing can be measured.

        """
        deviation = (self.upper_action - self.centre) / 3
        if deviation == 0:
            raise ValueError("the chart has no width: its values do not scatter at all")
        return (exact(value) - self.centre) / deviation


def limits_about(centre: Number, deviation: Number) -> ChartLimits:
    """Return limits two and three standard deviations about a centre.

    Args:
        centre: a certified value or the mean of a period.
        deviation: standard deviation in the same unit, not below zero.

    Raises:
        ValueError: the standard deviation is below zero.

    """
    middle, step = exact(centre), exact(deviation)
    if step < 0:
        raise ValueError(f"a standard deviation of {deviation} is below zero")
    return ChartLimits(
        lower_action=middle - 3 * step,
        lower_warning=middle - 2 * step,
        centre=middle,
        upper_warning=middle + 2 * step,
        upper_action=middle + 3 * step,
    )


def limits_from_period(
    values: Sequence[Number], *, centre: Number | None = None, fewest: int = FEWEST_IN_PERIOD
) -> ChartLimits:
    """Return the limits of a chart of means from the values of a period.

    Args:
        values: control results of the period, those judged invalid left out.
        centre: a certified value to stand in the middle; else the mean of the period.
        fewest: values demanded.

    Raises:
        ValueError: the period has fewer values.

    """
    _demand(values, fewest)
    middle = mean(values) if centre is None else centre
    return limits_about(middle, standard_deviation(values))


def _demand(values: Sequence[object], fewest: int) -> None:
    if len(values) < fewest:
        raise ValueError(
            f"{len(values)} in the period; at least {fewest} are needed to set limits"
        )


def range_limits(mean_range: Number, n: int) -> ChartLimits:
    """Return the limits of a chart of ranges from the mean range of groups of n.

    Ranges may be absolute or in percent of the group's mean.

    Raises:
        ValueError: the mean range is below zero or n is not from 2 to 10.

    Source: action limits D3 and D4 of ISO 7870-2; warning limits at 1 ± 2 d3/d2 by the same
    reasoning, which for pairs is 2.512 mean ranges (2.83 sigma in Nordtest TR 569, from memory).

    """
    factors = factors_for(n)
    middle = exact(mean_range)
    if middle < 0:
        raise ValueError(f"a mean range of {mean_range} is below zero")
    spread = 2 * exact(factors.d3) / exact(factors.d2)
    return ChartLimits(
        lower_action=middle * exact(factors.lower),
        lower_warning=middle * max(1 - spread, Fraction(0)),
        centre=middle,
        upper_warning=middle * (1 + spread),
        upper_action=middle * exact(factors.upper),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOfCharts:
    """Limits of a chart of means (or single values) and of the chart of ranges beside it."""

    means: ChartLimits
    ranges: ChartLimits


def limits_from_groups(groups: Sequence[Sequence[Number]], *, fewest: int = 2) -> PairOfCharts:
    """Return limits for means and ranges from groups of equal size, 2 to 10 values each.

    Raises:
        ValueError: fewer groups than demanded, groups of different size, or of a size that has
            no tabulated factors.

    Source: ISO 7870-2: mean ± A2 R, D3 R, D4 R.

    """
    _demand(groups, max(fewest, 1))
    sizes = {len(group) for group in groups}
    if len(sizes) != 1:
        raise ValueError(f"groups of {sorted(sizes)} values; a chart needs groups of one size")
    n = sizes.pop()
    factors = factors_for(n)
    mean_range = mean([max(map(exact, group)) - min(map(exact, group)) for group in groups])
    return PairOfCharts(
        means=limits_about(mean([mean(g) for g in groups]), exact(factors.a2) * mean_range / 3),
        ranges=range_limits(mean_range, n),
    )


def limits_from_singles(values: Sequence[Number], *, fewest: int = 2) -> PairOfCharts:
    """Return limits for single values from the ranges of successive pairs.

    Raises:
        ValueError: fewer values than demanded, or than two.

    Source: NIST/SEMATECH e-Handbook 6.3.2.2: mean ± 3 MR / 1.128.

    """
    _demand(values, max(fewest, 2))
    mean_range = mean([abs(b - a) for a, b in pairwise(map(exact, values))])
    return PairOfCharts(
        means=limits_about(mean(values), mean_range / exact(FACTORS[2].d2)),
        ranges=range_limits(mean_range, 2),
    )
