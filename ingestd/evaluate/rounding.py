"""A number rounded once, exactly, to a stated step or number of digits.

Everything is integer arithmetic on exact fractions, so no decimal context and no binary
floating point can touch a digit. Nothing here rounds a value that was rounded before:
each function takes the unrounded value and rounds it one time.

Source: ISO 80000-1 Annex B, nearest multiple of a rounding interval; ties by rule A (even
multiple) or rule B (multiple of greater magnitude). Worked values: tests/ingestd/evaluate/
data/rounding.csv.
"""

from dataclasses import dataclass
from decimal import MAX_EMAX, MAX_PREC, MIN_EMIN, Context, Decimal
from fractions import Fraction
from typing import Literal

Number = Decimal | Fraction | int
"""An exact number: printed digits or a ratio of integers, never a binary float."""

RoundingMode = Literal["half_even", "half_up"]
"""What happens exactly half way: to the even multiple, or away from zero."""

# Arithmetic on Decimal rounds to the thread's context; this one is never the limit.
_UNLIMITED = Context(prec=MAX_PREC, Emin=MIN_EMIN, Emax=MAX_EMAX)


def exact(value: Number) -> Fraction:
    """Return the value as a ratio of integers, unchanged.

    Raises:
        ValueError: the value is infinite or not a number.
        TypeError: the value is a binary float, whose digits are not those printed.

    """
    if isinstance(value, float):
        raise TypeError(f"{value!r} is a binary float; give the printed digits as Decimal")
    if isinstance(value, Decimal) and not value.is_finite():
        raise ValueError(f"{value} is not a finite number; nothing can be computed from it")
    return Fraction(value)


def _nearest_integer(above: int, below: int, mode: RoundingMode) -> int:
    """Return the integer nearest to above / below, for below > 0."""
    whole, rest = divmod(above, below)
    if mode == "half_even":
        tie_goes_up = whole % 2 == 1
    elif mode == "half_up":
        # Away from zero, so that a value and its negative round alike.
        tie_goes_up = above >= 0
    else:
        raise ValueError(f"rounding mode {mode!r} is unknown; use 'half_even' or 'half_up'")
    if 2 * rest > below or (2 * rest == below and tie_goes_up):
        return whole + 1
    return whole


def round_to(value: Number, step: Decimal, mode: RoundingMode = "half_even") -> Decimal:
    """Return the multiple of the step nearest to the value, with the step's own digits.

    A step of 0.1 gives "12.3", of 10 gives "1220", of 0.5 gives "12.5". Zero has no sign.

    Args:
        value: unrounded, any unit.
        step: rounding interval in the same unit, above 0; its printed decimals are kept.
        mode: what happens exactly half way between two multiples.

    Raises:
        ValueError: the step is not above zero, the value is not finite, the mode is unknown.

    Source: ISO 80000-1 Annex B, rules A and B.

    """
    if not step.is_finite() or step <= 0:
        raise ValueError(f"rounding step {step} is not above zero; give one such as 0.1 or 10")
    above, below = exact(value).as_integer_ratio()
    places = int(step.as_tuple().exponent)  # an int for every finite Decimal
    coefficient = int(step.scaleb(-places, _UNLIMITED))
    if places < 0:
        above *= 10**-places
    else:  # a step written 1E+1 still prints 1220, not 1.22E+3
        coefficient *= 10**places
        places = 0
    multiple = coefficient * _nearest_integer(above, below * coefficient, mode)
    return Decimal(multiple).scaleb(places, _UNLIMITED)


def leading_place(value: Number) -> int:
    """Return the power of ten of the first significant digit: 2 for 150, -3 for 0.0015.

    Raises:
        ValueError: the value is zero, which has no significant digit.

    """
    size = abs(exact(value))
    if size == 0:
        raise ValueError("zero has no leading digit")
    place = len(str(size.numerator)) - len(str(size.denominator))
    return place if size >= Fraction(10) ** place else place - 1


def round_significant(value: Number, digits: int, mode: RoundingMode = "half_even") -> Decimal:
    """Return the value with so many significant digits; 9.96 with two gives "10".

    Args:
        value: unrounded, any unit. Zero gives "0".
        digits: significant digits to keep, at least 1.
        mode: what happens exactly half way.

    Raises:
        ValueError: fewer than one digit is asked for, or the value is not finite.

    """
    if digits < 1:
        raise ValueError(f"{digits} significant digits asked for; at least 1 is needed")
    ratio = exact(value)
    if ratio == 0:
        return Decimal(0)
    place = leading_place(ratio) - digits + 1
    rounded = round_to(ratio, _power_of_ten(place), mode)
    if rounded != 0 and leading_place(rounded) > leading_place(ratio):
        # 9.96 became 10.0, which would claim a digit too many. The original value is taken
        # to the next wider step; the outcome is the same number, so it is rounded once.
        rounded = round_to(ratio, _power_of_ten(place + 1), mode)
    return rounded


def _power_of_ten(place: int) -> Decimal:
    return Decimal((0, (1,), place))


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """A value and its uncertainty, both ending at the same decimal place."""

    value: Decimal
    uncertainty: Decimal

    def __str__(self) -> str:
        return f"{self.value} ± {self.uncertainty}"


def statement(
    value: Number,
    uncertainty: Number,
    *,
    uncertainty_digits: int = 1,
    mode: RoundingMode = "half_even",
) -> Statement:
    """Return the value rounded to the place of its rounded uncertainty: "0.010 ± 0.001".

    Args:
        value: unrounded, any unit.
        uncertainty: unrounded, same unit, above zero (standard or expanded: the caller says).
        uncertainty_digits: significant digits of the uncertainty, one or two by custom.
        mode: what happens exactly half way, for both.

    Raises:
        ValueError: the uncertainty is not above zero, or a number is not finite.

    Source: JCGM 100 (GUM) 7.2.6; worked values in data/rounding.csv.

    """
    spread = exact(uncertainty)
    if spread <= 0:
        raise ValueError(
            f"uncertainty {uncertainty} is not above zero; state the value by the method's digits"
        )
    rounded = round_significant(spread, uncertainty_digits, mode)
    # The place is taken from the rounded uncertainty: 9.6 is stated as 10, to the tens.
    place = leading_place(rounded) - uncertainty_digits + 1
    return Statement(
        value=round_to(value, _power_of_ten(place), mode),
        uncertainty=round_to(spread, _power_of_ten(place), mode),
    )
