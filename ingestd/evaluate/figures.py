"""Numbers and instants as a sentence prints them, and exact products of printed digits."""

from datetime import datetime, timedelta
from decimal import Context, Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Literal

from ingestd.evaluate.local_time import local_day

EXACT = Context(prec=1000)
"""Wide enough that sums and products of printed digits never lose one."""

_DIGITS_4, _DIGITS_6, _DIGITS_34 = Context(prec=4), Context(prec=6), Context(prec=34)

_MINUTES = Context(prec=34)
# Whole microseconds that equal a limit divide evenly; others cannot round across it.

Exact = Decimal | Fraction
"""A number without rounding: a product of printed digits, or a ratio where one divided."""


def times(value: Exact, factor: Exact) -> Exact:
    """Return the exact product; a Decimal as long as both are."""
    if isinstance(value, Decimal) and isinstance(factor, Decimal):
        return EXACT.multiply(value, factor)
    return Fraction(value) * Fraction(factor)


def less(value: Exact, other: Exact) -> Exact:
    """Return the exact difference; a Decimal as long as both are."""
    if isinstance(value, Decimal) and isinstance(other, Decimal):
        return EXACT.subtract(value, other)
    return Fraction(value) - Fraction(other)


def per(value: Exact, divisor: Exact) -> Exact:
    """Return the exact quotient; the value itself where the divisor is one."""
    return value if divisor == 1 else Fraction(value) / Fraction(divisor)


def as_digits(value: Exact) -> Decimal:
    """Return the number as a Decimal: itself, or a ratio to 34 significant digits."""
    if isinstance(value, Decimal):
        return value
    return Decimal(_without_zeros(_ratio(value, _DIGITS_34)))


def plain(value: Exact) -> str:
    """Return the digits without exponent and without needless zeros; ratios to 6 digits."""
    if isinstance(value, Decimal):
        return _without_zeros(value)
    return _without_zeros(_ratio(value, _DIGITS_6))


def short(value: Exact) -> str:
    """Return the number to four significant digits, for computed figures in sentences."""
    if isinstance(value, Decimal):
        return _without_zeros(_DIGITS_4.plus(value))
    return _without_zeros(_ratio(value, _DIGITS_4))


def short_quotient(value: Exact, divisor: Decimal) -> str:
    """Return value / divisor to four significant digits; undiluted all digits as they are."""
    if isinstance(value, Decimal):
        return _without_zeros(value if divisor == 1 else _DIGITS_4.divide(value, divisor))
    return short(value / Fraction(divisor))


def _ratio(value: Fraction, context: Context) -> Decimal:
    # Both numbers are whole, so the one division is also the one rounding.
    return context.divide(Decimal(value.numerator), Decimal(value.denominator))


@lru_cache(maxsize=8192)
def _without_zeros(value: Decimal) -> str:
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def round_decimal(value: Decimal, step: Decimal, mode: Literal["half_even", "half_up"]) -> Decimal:
    """Return the multiple of the step nearest to the value: `rounding.round_to` without ratios.

    For numbers of up to some hundred digits, which is every product of printed ones. Zero has no
    sign, and a step of tens prints 1220, not 1.22E+3.
    """
    whole, rest = EXACT.divmod(abs(value), step)
    twice = EXACT.add(rest, rest)
    if twice > step or (twice == step and (mode == "half_up" or whole % 2 == 1)):
        whole = EXACT.add(whole, 1)
    rounded = EXACT.multiply(whole, step)
    if value < 0 and rounded != 0:
        rounded = rounded.copy_negate()
    return Decimal(f"{rounded:f}") if "E+" in str(rounded) else rounded


def minutes_between(start: datetime, end: datetime) -> Decimal:
    """Return the minutes from start to end, negative if the end comes first."""
    span = end - start
    microseconds = (span.days * 86_400 + span.seconds) * 1_000_000 + span.microseconds
    return _MINUTES.divide(Decimal(microseconds), Decimal(60_000_000))


def span_of_minutes(count: Decimal) -> timedelta:
    """Return so many minutes as a span, to the microsecond."""
    return timedelta(microseconds=int(count * 60_000_000))


def in_minutes(value: Decimal) -> str:
    """Return minutes as a sentence prints them, to a tenth: `12.5 min`."""
    return f"{_without_zeros(Decimal(f'{value:.1f}'))} min"


def in_hours(span: timedelta) -> str:
    """Return a span in hours to a tenth: `30.5 h`."""
    tenths = (span.days * 86_400 + span.seconds + 180) // 360
    return f"{_without_zeros(Decimal(tenths).scaleb(-1))} h"


def on_the_clock(instant: datetime, zone: str) -> str:
    """Return the instant as the laboratory's wall clock showed it: `2026-03-02 08:15`."""
    return local_day(instant, zone).strftime("%Y-%m-%d %H:%M")
