"""Sums, means and dilutions of values of which some are only known as below or above a limit.

No number is put in the place of a censored value. Instead both bounds are carried: a value
below 15 lies from 0 to 15, one above 150 has no upper bound.

Source: bounds of a sum with unknown terms, as in guidance on lower-bound and upper-bound sums;
substitution of half the limit is widespread, invents data and is not done here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from ingestd.evaluate.rounding import Number, exact

Censoring = Literal["", "<", ">"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Where a value lies: from `low` to `high`, both included; `high` None has no end.

    A plain number has both alike.
    """

    low: Fraction
    high: Fraction | None

    @property
    def is_number(self) -> bool:
        """Nothing about the value is unknown."""
        return self.low == self.high

    @property
    def censoring(self) -> Censoring | None:
        """The sign that states the bounds: "" for a number, "<" if it may be nothing at all,
        ">" if it has no end; None if only both bounds together state it.
        """
        if self.is_number:
            return ""
        if self.high is None:
            return ">"
        return "<" if self.low == 0 else None

    @property
    def stated(self) -> Fraction | None:
        """The number that goes with the sign, None where both bounds must be given."""
        sign = self.censoring
        if sign is None:
            return None
        return self.high if sign == "<" else self.low


def bounds_of(value: Number, censoring: Censoring = "") -> Bounds:
    """Return the bounds of one value of a quantity that cannot be below zero.

    A plain number stays as it is, below zero too (a blank may be).

    Raises:
        ValueError: a limit below zero, or an unknown sign.

    """
    limit = exact(value)
    if censoring == "":
        return Bounds(low=limit, high=limit)
    if limit < 0:
        raise ValueError(f"{censoring}{value}: a limit cannot be below zero")
    if censoring == "<":
        return Bounds(low=Fraction(0), high=limit)
    if censoring == ">":
        return Bounds(low=limit, high=None)
    raise ValueError(f"sign {censoring!r} is unknown; use '<', '>' or none")


def scaled(bounds: Bounds, factor: Number) -> Bounds:
    """Return the bounds times a factor above zero: <15 diluted tenfold is <150.

    Raises:
        ValueError: the factor is not above zero.

    """
    by = exact(factor)
    if by <= 0:
        raise ValueError(f"factor {factor} is not above zero")
    return Bounds(low=bounds.low * by, high=None if bounds.high is None else bounds.high * by)


def sum_of(parts: Sequence[Bounds]) -> Bounds:
    """Return the bounds of a sum; of nothing it is 0."""
    highs = [part.high for part in parts if part.high is not None]
    return Bounds(
        low=sum((part.low for part in parts), Fraction(0)),
        high=sum(highs, Fraction(0)) if len(highs) == len(parts) else None,
    )


def mean_of(parts: Sequence[Bounds]) -> Bounds:
    """Return the bounds of a mean.

    Raises:
        ValueError: there is no value.

    """
    if not parts:
        raise ValueError("a mean needs at least 1 value; 0 given")
    return scaled(sum_of(parts), Fraction(1, len(parts)))
