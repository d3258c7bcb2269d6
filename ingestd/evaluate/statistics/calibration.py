"""A calibration line or curve, its statistics, and the concentration it gives for a signal.

Source: ISO 8466-1 (linear: residual standard deviation, method standard deviation, confidence
interval of a result) and ISO 8466-2 (second order), with the variance of the curve taken from
the full covariance of its coefficients, which for a straight line is the formula those
standards print. Worked values: DIN 38402-51 data sets, Massart et al. 1997 example 7, DIN 32645
example, in tests/ingestd/evaluate/data/calibration.csv.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.least_squares import Fit, fit_polynomial, powers
from ingestd.evaluate.statistics.quantiles import t_quantile
from ingestd.evaluate.statistics.spread import as_decimal, mean, square_root

Order = Literal[1, 2]
"""1: signal = c0 + c1 x; 2: signal = c0 + c1 x + c2 x squared."""

NINETY_FIVE = Decimal("0.95")


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A fitted calibration over the concentrations from `lowest` to `highest`."""

    order: Order
    fit: Fit
    lowest: Fraction
    highest: Fraction
    mean_concentration: Fraction

    @property
    def coefficients(self) -> tuple[Fraction, ...]:
        """c0, c1 and, of second order, c2; signal per concentration to the power 0, 1, 2."""
        return self.fit.coefficients

    @property
    def sensitivity(self) -> Fraction:
        """Slope at the middle of the range, signal per concentration."""
        return slope_at(self.coefficients, self.mean_concentration)

    @property
    def residual_sd(self) -> Decimal:
        """Residual standard deviation s_y, in the unit of the signal."""
        return self.fit.residual_sd

    @property
    def method_sd(self) -> Decimal:
        """Method standard deviation s_x0 = s_y / sensitivity, in the unit of concentration.

        Raises:
            ValueError: the sensitivity is zero.

        """
        _refuse_flat(self.sensitivity)
        return square_root(self.fit.residual_variance / self.sensitivity**2)

    @property
    def method_variation_percent(self) -> Decimal:
        """Method standard deviation in percent of the mean concentration, V_x0.

        Raises:
            ValueError: the sensitivity or the mean concentration is zero.

        """
        if self.mean_concentration == 0:
            raise ValueError("the mean concentration is zero; no variation in percent exists")
        return as_decimal(100 * Fraction(self.method_sd) / self.mean_concentration)

    @property
    def correlation(self) -> Decimal:
        """Square root of R squared. High even for a curve: no proof that a line fits."""
        return square_root(self.fit.r_squared)


def calibrate(
    concentrations: Sequence[Number], signals: Sequence[Number], *, order: Order = 1
) -> Calibration:
    """Return the exact least-squares calibration of the signals on the concentrations.

    Args:
        concentrations: of the standards, one per signal; levels may repeat.
        signals: for instance absorbances.
        order: 1 or 2.

    Raises:
        ValueError: lengths differ, or there are too few points or too few different levels.

    """
    if len(concentrations) != len(signals):
        raise ValueError(f"{len(concentrations)} concentrations but {len(signals)} signals")
    fit = fit_polynomial(concentrations, signals, order)
    levels = [exact(value) for value in concentrations]
    return Calibration(
        order=order,
        fit=fit,
        lowest=min(levels),
        highest=max(levels),
        mean_concentration=mean(levels),
    )


def slope_at(coefficients: Sequence[Number], concentration: Number) -> Fraction:
    """Return the slope of a calibration at a concentration: signal per concentration."""
    at = exact(concentration)
    return sum(
        (
            power * exact(coefficient) * at ** (power - 1)
            for power, coefficient in enumerate(coefficients)
            if power > 0
        ),
        Fraction(0),
    )


def concentration_from(
    coefficients: Sequence[Number], signal: Number, *, blank: Number = 0
) -> Fraction:
    """Return the concentration at which a calibration gives the signal less the blank.

    Of second order the solution on the branch that rises (or falls) from zero concentration
    is meant, the one that meets the straight line as the curvature vanishes.

    Args:
        coefficients: c0, c1 and perhaps c2, as fitted or as pinned.
        signal: of the tube, for instance its absorbance.
        blank: signal of the reagent blank, where the calibration was made above it.

    Returns:
        Unrounded concentration; exact for a line, to 40 digits for a curve. It may lie outside
        the calibrated range: that is for a rule to say.

    Raises:
        ValueError: there are not two or three coefficients, the slope is zero, or the curve
            never reaches the signal.

    """
    c0, c1, c2 = _three(coefficients)
    _refuse_flat(c1)
    height = exact(signal) - exact(blank) - c0
    if c2 == 0:
        return height / c1
    discriminant = c1**2 + 4 * c2 * height
    if discriminant < 0:
        raise ValueError(
            f"a signal of {as_decimal(exact(signal))} less a blank of {as_decimal(exact(blank))} "
            f"lies beyond the turning point of the calibration curve, "
            f"{as_decimal(c0 - c1**2 / (4 * c2))}; dilute the sample and measure again"
        )
    root = Fraction(square_root(discriminant))
    # Written so that nothing cancels where the curvature is slight.
    return 2 * height / (c1 + (root if c1 > 0 else -root))


def _three(coefficients: Sequence[Number]) -> tuple[Fraction, Fraction, Fraction]:
    given = [exact(coefficient) for coefficient in coefficients]
    if len(given) not in {2, 3}:
        raise ValueError(f"a calibration has 2 or 3 coefficients, c0 first; {len(given)} given")
    return given[0], given[1], given[2] if len(given) == 3 else Fraction(0)


def _refuse_flat(slope: Fraction) -> None:
    if slope == 0:
        raise ValueError("the calibration is flat: its slope is zero, so no signal tells anything")


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """A concentration read from a calibration, with its confidence interval."""

    concentration: Fraction
    standard_error: Decimal
    half_width: Decimal

    @property
    def low(self) -> Fraction:
        """Lower end of the interval."""
        return self.concentration - Fraction(self.half_width)

    @property
    def high(self) -> Fraction:
        """Upper end of the interval."""
        return self.concentration + Fraction(self.half_width)


def predict(
    calibration: Calibration, signals: Sequence[Number], *, level: Decimal = NINETY_FIVE
) -> Predicted:
    """Return the concentration for one or several signals of one sample, with its interval.

    Args:
        calibration: with at least one point more than coefficients.
        signals: repeated signals of one sample, at least one.
        level: two-sided confidence, 0.95 by default.

    Raises:
        ValueError: no signal is given, the curve never reaches their mean, or the calibration
            has no residual degrees of freedom.

    Source: ISO 8466-1 and ISO 8466-2 (confidence interval of a result); Massart et al., Handbook
    of Chemometrics and Qualimetrics A (1997), equation 8.28 for repeated signals.

    """
    value = concentration_from(calibration.coefficients, mean(signals))
    fit = calibration.fit
    slope = slope_at(fit.coefficients, value)
    _refuse_flat(slope)
    scatter = Fraction(1, len(signals)) + fit.leverage(powers(value, calibration.order))
    error = square_root(fit.residual_variance * scatter / slope**2)
    t = t_quantile((1 + exact(level)) / 2, fit.df)
    return Predicted(
        concentration=value,
        standard_error=error,
        half_width=as_decimal(Fraction(t) * Fraction(error)),
    )
