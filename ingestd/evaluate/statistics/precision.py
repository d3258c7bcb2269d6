"""Repeatability and intermediate precision from groups: runs, days or laboratories.

Source: ISO 5725-2, 7.4 (one-way analysis of variance); worked values: ASTM E691 glucose
example, in tests/ingestd/evaluate/data/precision.csv.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number
from ingestd.evaluate.statistics.spread import mean, square_root, variance


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Variances within and between groups, exact, in the unit squared.

    Where the groups' means scatter less than chance, `between` is set to 0.
    """

    groups: int
    per_group: int
    mean: Fraction
    within: Fraction
    between: Fraction

    @property
    def repeatability_sd(self) -> Decimal:
        """s_r: scatter within a group."""
        return square_root(self.within)

    @property
    def reproducibility_sd(self) -> Decimal:
        """s_R of laboratories, or the intermediate precision of runs or days."""
        return square_root(self.within + self.between)


def precision_of(groups: Sequence[Sequence[Number]]) -> Precision:
    """Return the precision from groups of equal size.

    Raises:
        ValueError: fewer than two groups, groups of different size, or of fewer than two.

    """
    sizes = {len(group) for group in groups}
    if len(groups) < 2 or len(sizes) != 1 or min(sizes) < 2:
        raise ValueError(
            f"{len(groups)} groups of {sorted(sizes)} values; at least 2 groups of one size, "
            "2 or more, are needed"
        )
    n = sizes.pop()
    within = mean([variance(group) for group in groups])
    means = [mean(group) for group in groups]
    between = variance(means) - within / n
    return Precision(
        groups=len(groups),
        per_group=n,
        mean=mean(means),
        within=within,
        between=max(between, Fraction(0)),
    )
