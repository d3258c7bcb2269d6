"""A plain number from the text of a cell or an observation, digit for digit."""

import re
from decimal import Decimal
from fractions import Fraction

from ingestd.plan.faults import ValueRefused

_PLAIN = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9})?")
_WITH_COMMA = re.compile(r"[0-9]+,[0-9]+")
_LONG = re.compile(r"[0-9]+(?:\.[0-9]+)?")
_SIGNED = re.compile(r"[-−][0-9.,]+")


def parse_quantity(text: str) -> Decimal:
    """Return a number that is zero or more, with the digits as written.

    Only a decimal point is taken: one sheet may have been written under two settings of a
    spreadsheet, and 1,234 would then mean two numbers.

    Raises:
        ValueRefused: anything else than ASCII digits with at most one decimal point.

    """
    if _PLAIN.fullmatch(text):
        return Decimal(text)
    if _WITH_COMMA.fullmatch(text):
        raise ValueRefused(
            "numbers are written with a decimal point, a comma could also part thousands",
            f"write {text.replace(',', '.')}" if text.count(",") == 1 else "write a point",
        )
    if _SIGNED.fullmatch(text):
        raise ValueRefused("the number is below zero", "write a number that is zero or more")
    if _LONG.fullmatch(text):
        raise ValueRefused(
            "the number has more than 9 digits before or after its point",
            "write only the digits that were measured",
        )
    raise ValueRefused(
        "this is not a plain number", "write digits with at most one point, such as 12 or 2.5"
    )


def plain(number: Decimal) -> str:
    """Return the number without exponent, digits as they are: 1E+1 becomes 10."""
    return format(number, "f")


def exact_decimal(ratio: Fraction) -> Decimal | None:
    """Return the ratio as a Decimal without trailing zeros; None if no finite one equals it."""
    rest, twos, fives = ratio.denominator, 0, 0
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    if rest != 1:
        return None
    places = max(twos, fives)
    coefficient = abs(ratio.numerator) * 10**places // ratio.denominator
    # Built from its digits: arithmetic on Decimal would round to the thread's context.
    return Decimal((int(ratio < 0), tuple(map(int, str(coefficient))), -places))
