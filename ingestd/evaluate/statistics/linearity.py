"""Whether a straight line will do over a range: F tests, slopes and response factors.

Source: ISO 8466-1. A correlation coefficient near 1 is no such test: the nitrite set of
DIN 38402-51 has r = 0.9988 and is plainly curved (tests/ingestd/evaluate/data/linearity.csv).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.calibration import Calibration, calibrate
from ingestd.evaluate.statistics.quantiles import f_quantile
from ingestd.evaluate.statistics.spread import median, variance

NINETY_NINE = Decimal("0.99")


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearityTest:
    """How much a second-order curve fits better than the line.

    Attributes:
        test_value: drop of the residual sum of squares over the second-order variance; None
            where the curve fits without any residue, so that no ratio exists.
        critical: F quantile with 1 and n - 3 degrees of freedom at `level`.
        curve_is_better: the line is to be given up, or the range narrowed.

    """

    linear: Calibration
    second_order: Calibration
    level: Decimal
    test_value: Fraction | None
    critical: Decimal
    curve_is_better: bool


def linearity_test(
    concentrations: Sequence[Number],
    signals: Sequence[Number],
    *,
    level: Decimal = NINETY_NINE,
) -> LinearityTest:
    """Return the comparison of the line with the second-order curve by an F test.

    Raises:
        ValueError: there are fewer than four points or three levels.

    Source: ISO 8466-1:1990, 4.1.2 (section number from memory), also known as the Mandel test.

    """
    line = calibrate(concentrations, signals, order=1)
    curve = calibrate(concentrations, signals, order=2)
    rest = curve.fit.residual_variance
    drop = line.fit.residual_squares - curve.fit.residual_squares
    critical = f_quantile(level, 1, curve.fit.df)
    test_value = drop / rest if rest != 0 else None
    return LinearityTest(
        linear=line,
        second_order=curve,
        level=level,
        test_value=test_value,
        critical=critical,
        # A perfect curve leaves no scatter to compare with: better if the line misses at all.
        curve_is_better=drop > 0 if test_value is None else test_value > exact(critical),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceTest:
    """Whether the scatter at the ends of a range differs.

    `ratio` is the larger variance over the smaller, None where the smaller is zero.
    """

    ratio: Fraction | None
    critical: Decimal
    alike: bool


def variances_alike(
    at_lowest: Sequence[Number], at_highest: Sequence[Number], *, level: Decimal = NINETY_NINE
) -> VarianceTest:
    """Return the F test of the signals' variances at the lowest and the highest level.

    Args:
        at_lowest: repeated signals of the lowest standard (ISO 8466-1 asks for ten).
        at_highest: repeated signals of the highest.
        level: one-sided confidence, 0.99 by default.

    Raises:
        ValueError: fewer than two signals at a level.

    Source: ISO 8466-1:1990, test of homogeneity of variances.

    """
    larger, smaller = sorted(
        ((variance(part), len(part) - 1) for part in (at_lowest, at_highest)), reverse=True
    )
    critical = f_quantile(level, larger[1], smaller[1])
    ratio = larger[0] / smaller[0] if smaller[0] != 0 else None
    alike = larger[0] == 0 if ratio is None else ratio <= exact(critical)
    return VarianceTest(ratio=ratio, critical=critical, alike=alike)


def segments_off(
    concentrations: Sequence[Number], signals: Sequence[Number], *, percent: Number = 10
) -> tuple[int, ...]:
    """Return which point-to-point slopes lie further than so many percent from their median.

    Args:
        concentrations: rising, one per signal.
        signals: one per concentration.
        percent: allowed distance in percent of the median slope.

    Returns:
        Numbers of the segments, from 1 for that between the first two points.

    Raises:
        ValueError: lengths differ, there are fewer than two points, or levels do not rise.

    Source: ISO 8466-1:2021 prefers such plots to the F test (as quoted in the help of the R
    package chemCal).

    """
    points = list(zip(map(exact, concentrations), map(exact, signals), strict=True))
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points)]
    if any(dx <= 0 for dx, _ in steps):
        raise ValueError("concentrations must rise from point to point; sort and average them")
    return _off([dy / dx for dx, dy in steps], exact(percent))


def response_factors_off(
    concentrations: Sequence[Number], signals: Sequence[Number], *, percent: Number = 10
) -> tuple[int, ...]:
    """Return which ratios of signal to concentration lie so far from their median.

    Returns:
        Numbers of the points, from 1.

    Raises:
        ValueError: lengths differ, there is no point, or a concentration is not above zero.

    Source: as for `segments_off`.

    """
    points = list(zip(map(exact, concentrations), map(exact, signals), strict=True))
    if any(x <= 0 for x, _ in points):
        raise ValueError("a response factor needs concentrations above zero; leave out blanks")
    return _off([y / x for x, y in points], exact(percent))


def _off(ratios: Sequence[Fraction], percent: Fraction) -> tuple[int, ...]:
    middle = median(ratios)
    allowed = abs(middle) * percent / 100
    return tuple(n for n, ratio in enumerate(ratios, start=1) if abs(ratio - middle) > allowed)
