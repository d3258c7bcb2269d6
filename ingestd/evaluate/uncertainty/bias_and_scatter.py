"""The uncertainty of a result from the laboratory's own controls: scatter and bias combined.

Components are standard uncertainties in one unit throughout: percent of the value, or the
unit of the results. Nothing is invented where data are missing: the functions refuse.

Source: Nordtest TR 537 and ISO 11352 (formulas from memory, those documents were not at hand);
JCGM 100 (GUM) G.4 for degrees of freedom. Worked values in
tests/ingestd/evaluate/data/uncertainty.csv.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.control_charts import FACTORS
from ingestd.evaluate.statistics.quantiles import t_quantile
from ingestd.evaluate.statistics.spread import as_decimal, mean, square_root, standard_deviation

NORMAL_95 = Decimal("1.96")
"""Divisor that turns a 95 % interval of a certificate into a standard uncertainty."""


def _not_negative(**components: Number) -> None:
    for name, value in components.items():
        if exact(value) < 0:
            raise ValueError(f"{name.replace('_', ' ')} is {value}; it cannot be below zero")


def _some(values: Sequence[object], what: str, fewest: int = 1) -> None:
    if len(values) < fewest:
        raise ValueError(f"{len(values)} {what}; at least {fewest} needed for an uncertainty")


def root_sum_of_squares(components: Sequence[Number]) -> Decimal:
    """Return the combination of independent standard uncertainties of one unit.

    Source: JCGM 100 (GUM) 5.1.2.

    """
    return square_root(sum((exact(component) ** 2 for component in components), Fraction(0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """How far and how surely results lie off: `size` and its standard uncertainty `u_bias`.

    `u_reference` is the uncertainty of what was compared with. Same unit for all.
    """

    size: Decimal
    u_reference: Decimal
    u_bias: Decimal


def bias_from_reference(
    results: Sequence[Number], certified: Number, *, half_interval_95: Number
) -> Bias:
    """Return the bias against one certified standard, in percent of its value.

    Args:
        results: of the standard, at least two.
        certified: its value, above zero.
        half_interval_95: half-width of the certificate's 95 % interval, same unit.

    Raises:
        ValueError: too few results, or a number below its bounds.

    """
    _some(results, "results of the standard", 2)
    _not_negative(half_interval_95=half_interval_95)
    value = exact(certified)
    if value <= 0:
        raise ValueError(f"certified value {certified} is not above zero")
    size = 100 * (mean(results) - value) / value
    scatter = 100 * Fraction(standard_deviation(results)) / value
    reference = 100 * exact(half_interval_95) / exact(NORMAL_95) / value
    return Bias(
        size=as_decimal(size),
        u_reference=as_decimal(reference),
        u_bias=square_root(size**2 + scatter**2 / len(results) + reference**2),
    )


def bias_from_comparisons(
    deviations: Sequence[Number],
    *,
    reproducibility_sds: Sequence[Number],
    participants: Sequence[int],
) -> Bias:
    """Return the bias from rounds of an interlaboratory comparison, in the deviations' unit.

    Args:
        deviations: own result less assigned value, one per round (percent, say).
        reproducibility_sds: standard deviation between laboratories of each round.
        participants: laboratories in each round, at least 1.

    Raises:
        ValueError: no round, or lists of different length.

    """
    _some(deviations, "rounds")
    if not len(deviations) == len(reproducibility_sds) == len(participants):
        raise ValueError(
            f"{len(deviations)} deviations, {len(reproducibility_sds)} standard deviations and "
            f"{len(participants)} numbers of participants; one of each is needed per round"
        )
    references = [
        square_root(exact(sd) ** 2 / n)
        for sd, n in zip(reproducibility_sds, participants, strict=True)
    ]
    return _bias_from_squares(deviations, mean(references))


def bias_from_recoveries(recoveries_percent: Sequence[Number], *, u_added_percent: Number) -> Bias:
    """Return the bias from spike recoveries, in percent.

    Args:
        recoveries_percent: 100 where all that was added is found.
        u_added_percent: standard uncertainty of the amount added (volume and concentration).

    Raises:
        ValueError: no recovery, or an uncertainty below zero.

    """
    _some(recoveries_percent, "recoveries")
    _not_negative(u_added_percent=u_added_percent)
    return _bias_from_squares(
        [exact(recovery) - 100 for recovery in recoveries_percent], exact(u_added_percent)
    )


def _bias_from_squares(deviations: Sequence[Number], reference: Fraction) -> Bias:
    square = mean([exact(deviation) ** 2 for deviation in deviations])
    return Bias(
        size=square_root(square),
        u_reference=as_decimal(reference),
        u_bias=square_root(square + reference**2),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeScatter:
    """Scatter of duplicates: relative (percent of the pair's mean) and absolute.

    `relative_sd` is None if a pair has a mean of zero or below.
    """

    pairs: int
    mean_relative_range: Decimal | None
    relative_sd: Decimal | None
    absolute_sd: Decimal


def scatter_of_duplicates(pairs: Sequence[tuple[Number, Number]]) -> RangeScatter:
    """Return the repeatability of duplicates of various samples.

    Relative: mean relative range / 1.128. Absolute: sqrt(sum of squared differences / 2 n).

    Raises:
        ValueError: there is no pair.

    """
    _some(pairs, "pairs of duplicates")
    values = [(exact(a), exact(b)) for a, b in pairs]
    squares = sum(((a - b) ** 2 for a, b in values), Fraction(0))
    relative = None
    if all(a + b > 0 for a, b in values):
        relative = mean([200 * abs(a - b) / (a + b) for a, b in values])
    return RangeScatter(
        pairs=len(values),
        mean_relative_range=None if relative is None else as_decimal(relative),
        relative_sd=None if relative is None else as_decimal(relative / exact(FACTORS[2].d2)),
        absolute_sd=square_root(squares / (2 * len(values))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultUncertainty:
    """Within-laboratory reproducibility and bias, their combination, and k times that."""

    u_reproducibility: Decimal
    u_bias: Decimal
    combined: Decimal
    coverage_factor: Decimal
    expanded: Decimal


def combine(
    u_reproducibility: Number, u_bias: Number, *, coverage_factor: Decimal = Decimal(2)
) -> ResultUncertainty:
    """Return the combined and expanded uncertainty; k = 2 stands for about 95 %.

    Args:
        u_reproducibility: from control results over a long time (with the scatter of
            duplicates of real samples added in squares where the control is synthetic).
        u_bias: as given by one of the bias functions, in the same unit.
        coverage_factor: k, above zero.

    Raises:
        ValueError: a component is below zero or k is not above zero.

    """
    _not_negative(u_reproducibility=u_reproducibility, u_bias=u_bias)
    if coverage_factor <= 0:
        raise ValueError(f"coverage factor {coverage_factor} is not above zero")
    square = exact(u_reproducibility) ** 2 + exact(u_bias) ** 2
    combined = square_root(square)
    return ResultUncertainty(
        u_reproducibility=as_decimal(u_reproducibility),
        u_bias=as_decimal(u_bias),
        combined=combined,
        coverage_factor=coverage_factor,
        expanded=square_root(square * exact(coverage_factor) ** 2),
    )


def effective_freedom(components: Sequence[tuple[Number, Number]]) -> Fraction:
    """Return the effective degrees of freedom of combined components, exact.

    Args:
        components: standard uncertainty, unrounded, and its degrees of freedom, above zero.

    Raises:
        ValueError: no component is above zero, or degrees of freedom are not.

    Source: JCGM 100 (GUM) G.4.1, Welch-Satterthwaite. The combined uncertainty must not be
    rounded first: example H.1 gives 16.7 so, but 17.5 with 32 nm.

    """
    if any(exact(freedom) <= 0 for _, freedom in components):
        raise ValueError("degrees of freedom must be above zero for every component")
    square = sum((exact(u) ** 2 for u, _ in components), Fraction(0))
    if square == 0:
        raise ValueError("no component is above zero; there are no degrees of freedom to count")
    shares = sum((exact(u) ** 4 / exact(freedom) for u, freedom in components), Fraction(0))
    return square**2 / shares


def coverage_factor(freedom: Number, *, level: Decimal = Decimal("0.95")) -> Decimal:
    """Return the two-sided t factor for degrees of freedom, cut down to a whole number.

    Raises:
        ValueError: the degrees of freedom are below 1.

    Source: JCGM 100 (GUM) G.4.1, note 1 (truncation to the next lower integer).

    """
    return t_quantile((1 + exact(level)) / 2, int(exact(freedom)))


def relative_of_product(factors: Sequence[tuple[Number, Number]]) -> Decimal:
    """Return the relative standard uncertainty of a product or quotient.

    Args:
        factors: value, not zero, and its standard uncertainty, one pair per factor.

    Raises:
        ValueError: a value is zero.

    Source: JCGM 100 (GUM) 5.1.6; Eurachem/CITAC QUAM, example A2.

    """
    if any(exact(value) == 0 for value, _ in factors):
        raise ValueError("a factor of zero has no relative uncertainty")
    return square_root(sum(((exact(u) / exact(value)) ** 2 for value, u in factors), Fraction(0)))
