"""Whether one value, or one group's scatter, stands out: Grubbs and Cochran.

These tests flag and never remove: a value is left out by a person, with a reason.

Source: ISO 5725-2, 7.3; critical values are computed from t and F, which reproduces its tables
(tests/ingestd/evaluate/data/outliers.csv names two misprints of a much-used copy).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.quantiles import f_quantile, t_quantile
from ingestd.evaluate.statistics.spread import as_decimal, mean, square_root, variance

FIVE_PERCENT = Decimal("0.05")


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlierTest:
    """A test statistic against its critical value.

    `suspect` is the place (from 0) of the value or group tested; `stands_out` says that the
    statistic is above the critical value. Where nothing scatters the statistic is 0.
    """

    statistic: Decimal
    critical: Decimal
    suspect: int
    stands_out: bool


def grubbs_critical(n: int, *, alpha: Decimal = FIVE_PERCENT, two_sided: bool = True) -> Decimal:
    """Return the critical value of the single Grubbs test for n values.

    Args:
        n: number of values, at least 3.
        alpha: risk of flagging a good value.
        two_sided: either end is suspect (as ISO 5725-2 tabulates); else one end only.

    Raises:
        ValueError: fewer than three values.

    Source: NIST/SEMATECH e-Handbook 1.3.5.17.1.

    """
    if n < 3:
        raise ValueError(f"{n} values; the Grubbs test needs at least 3")
    tail = exact(alpha) / (2 * n if two_sided else n)
    square = Fraction(t_quantile(1 - tail, n - 2)) ** 2
    return square_root(Fraction((n - 1) ** 2, n) * square / (n - 2 + square))


def grubbs_test(values: Sequence[Number], *, alpha: Decimal = FIVE_PERCENT) -> OutlierTest:
    """Return the single Grubbs test of the value furthest from the mean, two-sided.

    Raises:
        ValueError: fewer than three values.

    """
    critical = grubbs_critical(len(values), alpha=alpha)
    centre = mean(values)
    distances = [abs(exact(value) - centre) for value in values]
    suspect = distances.index(max(distances))
    spread = variance(values)
    statistic = square_root(distances[suspect] ** 2 / spread) if spread != 0 else Decimal(0)
    return OutlierTest(
        statistic=statistic,
        critical=critical,
        suspect=suspect,
        stands_out=statistic > critical,
    )


def cochran_critical(groups: int, n: int, *, alpha: Decimal = FIVE_PERCENT) -> Decimal:
    """Return the critical value of the Cochran test, largest variance over their sum.

    Args:
        groups: number of groups, at least 2.
        n: values in each group, at least 2.
        alpha: risk of flagging a good group.

    Raises:
        ValueError: fewer than two groups or values.

    Source: ISO 5725-2, 7.3.3; from the F quantile at alpha / groups ('t Lam 2010,
    Technometrics 52, 157, from memory).

    """
    if groups < 2 or n < 2:
        raise ValueError(
            f"{groups} groups of {n}; the Cochran test needs 2 groups of 2 values at least"
        )
    f = Fraction(f_quantile(1 - exact(alpha) / groups, n - 1, (groups - 1) * (n - 1)))
    return as_decimal(f / (f + groups - 1))


def cochran_test(
    groups: Sequence[Sequence[Number]], *, alpha: Decimal = FIVE_PERCENT
) -> OutlierTest:
    """Return the Cochran test of the group that scatters most, among groups of equal size.

    Raises:
        ValueError: fewer than two groups, or groups of different or too small size.

    """
    sizes = {len(group) for group in groups}
    if len(sizes) > 1:
        raise ValueError(f"groups of {sorted(sizes)} values; the Cochran test needs equal sizes")
    critical = cochran_critical(len(groups), sizes.pop() if sizes else 0, alpha=alpha)
    variances = [variance(group) for group in groups]
    suspect = variances.index(max(variances))
    total = sum(variances)
    statistic = as_decimal(variances[suspect] / total) if total != 0 else Decimal(0)
    return OutlierTest(
        statistic=statistic,
        critical=critical,
        suspect=suspect,
        stands_out=statistic > critical,
    )
