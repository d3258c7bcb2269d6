"""The least concentration that can be told from nothing, and the least that can be counted.

Three procedures that do not give the same number and are not interchangeable: method detection
limit from spikes and blanks (40 CFR 136 appendix B), limits from blanks or from a calibration
(DIN 32645), and the factor of ISO 15705 on the within-batch scatter of blanks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.calibration import Calibration
from ingestd.evaluate.statistics.quantiles import chi_square_quantile, t_quantile
from ingestd.evaluate.statistics.spread import (
    as_decimal,
    mean,
    square_root,
    standard_deviation,
    variance,
)

NINETY_NINE = Decimal("0.99")

WITHIN_BATCH_FACTOR = Decimal("4.65")
"""ISO 15705: detection limit = 4.65 s_w, which is 2 sqrt(2) z(0.95) rounded."""

FEWEST = 7
"""40 CFR 136 appendix B, revision 2: at least seven spikes and seven blanks (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodDetectionLimit:
    """The limit by 40 CFR 136 appendix B and its two halves, in the unit of the results.

    `from_blanks` is None where no blank gave a number; `value` is the larger of the two.
    """

    from_spikes: Decimal
    from_blanks: Decimal | None
    value: Decimal
    spikes: int
    blanks: int


def method_detection_limit(
    spikes: Sequence[Number],
    blanks: Sequence[Number | None],
    *,
    use_percentile: bool = False,
) -> MethodDetectionLimit:
    """Return the method detection limit from low spikes and from method blanks.

    Args:
        spikes: results of at least seven low spikes, over three batches or more.
        blanks: results of at least seven method blanks; None where the instrument gave no
            number. Negative numbers count as they are.
        use_percentile: with more than 100 blanks, take the result at rank 0.99 n (nearest
            whole), as the rule permits, instead of mean and standard deviation.

    Raises:
        ValueError: there are fewer than seven spikes or blanks.

    Source: 40 CFR 136 appendix B, revision 2, (2)(d) (formulas from memory).

    """
    for name, values in (("spikes", spikes), ("blanks", blanks)):
        if len(values) < FEWEST:
            raise ValueError(
                f"{len(values)} {name}; the method detection limit needs at least {FEWEST} "
                "(40 CFR 136 appendix B)"
            )
    from_spikes = _upper_limit(spikes, about=Fraction(0))
    from_blanks = _from_blanks(blanks, use_percentile=use_percentile)
    return MethodDetectionLimit(
        from_spikes=from_spikes,
        from_blanks=from_blanks,
        value=from_spikes if from_blanks is None else max(from_spikes, from_blanks),
        spikes=len(spikes),
        blanks=len(blanks),
    )


def _upper_limit(values: Sequence[Number], *, about: Fraction) -> Decimal:
    t = t_quantile(NINETY_NINE, len(values) - 1)
    return as_decimal(about + Fraction(t) * Fraction(standard_deviation(values)))


def _from_blanks(blanks: Sequence[Number | None], *, use_percentile: bool) -> Decimal | None:
    numbers = sorted(exact(value) for value in blanks if value is not None)
    if not numbers:
        return None
    if use_percentile and len(blanks) > 100:
        # Blanks without a number rank below every number.
        rank = int(Fraction(99, 100) * len(blanks) + Fraction(1, 2))
        place = rank - (len(blanks) - len(numbers))
        return as_decimal(numbers[place - 1]) if place > 0 else None
    if len(numbers) < len(blanks):
        return as_decimal(numbers[-1])
    # A mean below zero counts as zero: a limit is not lowered by a biased blank.
    return _upper_limit(numbers, about=max(mean(numbers), Fraction(0)))


def limit_interval(
    limit: Number, df: int, *, level: Decimal = Decimal("0.95")
) -> tuple[Decimal, Decimal]:
    """Return the two-sided confidence interval of a detection limit, low and high.

    Args:
        limit: proportional to a standard deviation with `df` degrees of freedom.
        df: replicates less one, or the sum of these for pooled groups.
        level: two-sided confidence.

    Source: chi-square interval of a standard deviation. Seven replicates give 0.64 and 2.20
    times the limit at 95 %, as 40 CFR 136 appendix B revision 1.11 printed (from memory).

    """
    tail = (1 - exact(level)) / 2
    low, high = (
        square_root(exact(limit) ** 2 * df / Fraction(chi_square_quantile(p, df)))
        for p in (1 - tail, tail)
    )
    return low, high


def limit_still_holds(
    in_force: Number, recomputed: Number, *, blanks_above: int, blanks: int
) -> bool:
    """Say whether a method detection limit may stay in force after its yearly recomputation.

    Args:
        in_force: the limit used so far.
        recomputed: the limit from the last 24 months of spikes and blanks.
        blanks_above: method blanks above the limit in force.
        blanks: method blanks in all, at least 1.

    Raises:
        ValueError: a limit is not above zero or there are no blanks.

    Source: 40 CFR 136 appendix B, revision 2, (4)(f): ratio from 0.5 to 2.0 and fewer than 3 %
    of blanks above (from memory).

    """
    if exact(in_force) <= 0 or exact(recomputed) <= 0 or blanks < 1:
        raise ValueError(
            f"limits {in_force} and {recomputed} with {blanks} blanks: limits must be above zero "
            "and at least one blank is needed"
        )
    ratio = exact(recomputed) / exact(in_force)
    return Fraction(1, 2) <= ratio <= 2 and Fraction(blanks_above, blanks) < Fraction(3, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLimits:
    """Limits of DIN 32645, in the unit of concentration.

    Attributes:
        decision: a value above it is detected (risk of a false alarm alpha).
        detection: a content that is detected with probability 1 - alpha: twice `decision`.
        quantification: the content whose relative half-width of uncertainty is 1/k.

    """

    decision: Decimal
    detection: Decimal
    quantification: Decimal


def limits_from_blanks(
    blanks: Sequence[Number],
    calibration: Calibration,
    *,
    alpha: Decimal = Decimal("0.01"),
    alpha_quantification: Decimal = Decimal("0.01"),
    k: int = 3,
    repeats: int = 1,
) -> CalibrationLimits:
    """Return the limits of DIN 32645 by the blank method.

    Args:
        blanks: signals of independent blanks (the standard asks for ten).
        calibration: a straight line through standards near the limits, blanks left out.
        alpha: risk of calling a blank detected, one-sided.
        alpha_quantification: risk of the interval at the quantification limit, two-sided.
        k: reciprocal of the relative half-width wanted there: 3 for 33 %.
        repeats: determinations averaged to one result.

    Raises:
        ValueError: the calibration is no line or is flat, there are fewer than two blanks, or
            its scatter leaves no quantification limit.

    Source: DIN 32645 (formulas as worked by the R packages chemCal and envalysis; values in
    tests/ingestd/evaluate/data/limits.csv).

    """
    slope = _slope(calibration)
    t = Fraction(t_quantile(1 - exact(alpha), len(blanks) - 1))
    scatter = Fraction(1, repeats) + Fraction(1, len(blanks))
    decision = square_root(t**2 * variance(blanks) * scatter / slope**2)
    return _limits(decision, calibration, alpha_quantification, k, repeats)


def limits_from_calibration(
    calibration: Calibration,
    *,
    alpha: Decimal = Decimal("0.01"),
    alpha_quantification: Decimal = Decimal("0.01"),
    k: int = 3,
    repeats: int = 1,
) -> CalibrationLimits:
    """Return the limits of DIN 32645 by the calibration method, for want of blanks.

    Arguments, errors and source are those of `limits_from_blanks`.

    """
    slope = _slope(calibration)
    fit = calibration.fit
    t = Fraction(t_quantile(1 - exact(alpha), fit.df))
    scatter = Fraction(1, repeats) + fit.leverage((Fraction(1), Fraction(0)))
    decision = square_root(t**2 * fit.residual_variance * scatter / slope**2)
    return _limits(decision, calibration, alpha_quantification, k, repeats)


def _slope(calibration: Calibration) -> Fraction:
    slope = calibration.coefficients[1]
    if calibration.order != 1 or slope == 0:
        raise ValueError(
            "limits by DIN 32645 need a straight line with a slope; calibrate near the limits, "
            "where the curve is straight"
        )
    return slope


def _limits(
    decision: Decimal, calibration: Calibration, alpha: Decimal, k: int, repeats: int
) -> CalibrationLimits:
    fit = calibration.fit
    centre = calibration.mean_concentration
    # The variance of a fitted value is 1/n at the centre and grows with the squared distance.
    width = fit.inverse[1][1]
    t = Fraction(t_quantile(1 - exact(alpha) / 2, fit.df))
    reach = (k * t) ** 2 * fit.residual_variance / calibration.coefficients[1] ** 2
    # x = k s_x0 t sqrt(1/m + 1/n + (x - centre)^2 width): squared, a quadratic in x.
    square = 1 - reach * width
    if square <= 0:
        raise ValueError(
            "the calibration scatters too much for its range: no concentration reaches a "
            f"relative half-width of 1/{k}; use more standards or a wider range"
        )
    half_linear = reach * width * centre
    constant = reach * (Fraction(1, repeats) + Fraction(1, fit.points) + width * centre**2)
    root = Fraction(square_root(half_linear**2 + square * constant))
    return CalibrationLimits(
        decision=decision,
        detection=as_decimal(2 * Fraction(decision)),
        quantification=as_decimal((root - half_linear) / square),
    )


def within_batch_limit(scatter: Number) -> Decimal:
    """Return the detection limit 4.65 s_w from the within-batch sd of blanks.

    Raises:
        ValueError: the standard deviation is below zero.

    Source: ISO 15705:2002, scope.

    """
    if exact(scatter) < 0:
        raise ValueError(f"a standard deviation of {scatter} is below zero")
    return as_decimal(exact(scatter) * exact(WITHIN_BATCH_FACTOR))
