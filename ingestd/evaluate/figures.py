"""Numbers and instants as a sentence prints them, and exact products of printed digits."""

from datetime import datetime, timedelta
from decimal import Context, Decimal
from fractions import Fraction

from ingestd.evaluate.local_time import local_day
from ingestd.evaluate.rounding import round_significant

EXACT = Context(prec=1000)
"""Wide enough that sums and products of printed digits never lose one."""

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
    return trimmed(round_significant(value, 34))


def trimmed(value: Decimal) -> Decimal:
    """Return the number without zeros behind the last decimal: 150.0 gives 150."""
    return Decimal(plain(value))


def plain(value: Exact) -> str:
    """Return the digits without exponent and without needless zeros; ratios to 6 digits."""
    if isinstance(value, Fraction):
        value = round_significant(value, 6)
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def short(value: Exact) -> str:
    """Return the number to four significant digits, for computed figures in sentences."""
    return plain(round_significant(value, 4))


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
    tenths = round(value, 1)
    return f"{plain(tenths)} min"


def in_hours(span: timedelta) -> str:
    """Return a span in hours to a tenth: `30.5 h`."""
    return f"{plain(Decimal(round(span.total_seconds() / 360)) / 10)} h"


def on_the_clock(instant: datetime, zone: str) -> str:
    """Return the instant as the laboratory's wall clock showed it: `2026-03-02 08:15`."""
    return local_day(instant, zone).strftime("%Y-%m-%d %H:%M")
