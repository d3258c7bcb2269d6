from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.figures import (
    as_digits,
    in_hours,
    in_minutes,
    less,
    minutes_between,
    on_the_clock,
    per,
    plain,
    round_decimal,
    short,
    short_quotient,
    times,
)
from ingestd.evaluate.rounding import RoundingMode, round_significant, round_to

decimals = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9)
steps = st.sampled_from(
    [Decimal(s) for s in ("0.001", "0.05", "0.1", "0.5", "1", "2", "5", "10", "20", "1E+2")]
)
modes: list[RoundingMode] = ["half_even", "half_up"]


@given(decimals, steps, st.sampled_from(modes))
def test_rounding_of_digits_equals_rounding_of_exact_ratios(
    value: Decimal, step: Decimal, mode: RoundingMode
) -> None:
    got, want = round_decimal(value, step, mode), round_to(value, step, mode)
    assert got == want
    assert f"{got:f}" == f"{want:f}"
    assert str(got) == str(want)


@given(st.integers(-1000, 1000), steps, st.sampled_from(modes))
def test_ties_are_rounded_as_exact_ratios_are(
    halves: int, step: Decimal, mode: RoundingMode
) -> None:
    tie = step * halves / 2
    assert round_decimal(tie, step, mode) == round_to(tie, step, mode)


@given(decimals, st.decimals(min_value=1, max_value=10**5, allow_nan=False))
def test_quotient_is_rounded_once_to_four_digits(value: Decimal, divisor: Decimal) -> None:
    if divisor != 1:
        want = round_significant(Fraction(value) / Fraction(divisor), 4)
        assert Decimal(short_quotient(value, divisor)) == want
        assert Decimal(short_quotient(Fraction(value), divisor)) == want


@given(decimals, decimals)
def test_products_and_differences_are_exact(a: Decimal, b: Decimal) -> None:
    assert Fraction(times(a, b)) == Fraction(a) * Fraction(b)
    assert times(Fraction(a), b) == Fraction(a) * Fraction(b)
    assert Fraction(less(a, b)) == Fraction(a) - Fraction(b)
    assert less(Fraction(a), b) == Fraction(a) - Fraction(b)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Decimal("150.0"), "150"),
        (Decimal("1.50E+3"), "1500"),
        (Decimal("-0.0"), "0"),
        (Decimal("0.050"), "0.05"),
        (Decimal(1234567), "1234567"),
        (Fraction(1234567), "1234570"),
        (Fraction(2, 3), "0.666667"),
    ],
)
def test_plain_digits_have_no_exponent_and_no_needless_zero(
    value: Decimal | Fraction, text: str
) -> None:
    assert plain(value) == text


def test_short_keeps_four_significant_digits() -> None:
    assert short(Decimal("12345.6")) == "12350"
    assert short(Fraction(1, 3)) == "0.3333"


def test_ratio_becomes_thirty_four_digits_and_digits_stay() -> None:
    assert str(as_digits(Fraction(1, 3))) == "0." + "3" * 34
    assert str(as_digits(Decimal("1.50"))) == "1.50"
    assert per(Decimal(3), Decimal(1)) == Decimal(3)
    assert per(Decimal(3), Decimal(7)) == Fraction(3, 7)


def test_minutes_across_the_change_of_clocks_are_those_that_passed() -> None:
    """Instants in UTC: 12:00 CET on 30 March to 13:00 CEST on 1 April 2024 is 48 h; computed."""
    start = datetime.fromisoformat("2024-03-30T12:00:00+01:00")
    end = datetime.fromisoformat("2024-04-01T13:00:00+02:00")
    assert minutes_between(start, end) == 48 * 60
    assert minutes_between(end, start) == -48 * 60


def test_times_are_printed_to_a_tenth() -> None:
    assert in_minutes(Decimal("12.25")) == "12.2 min"
    assert in_minutes(Decimal(120)) == "120 min"
    assert in_hours(timedelta(hours=30, minutes=30)) == "30.5 h"
    assert in_hours(timedelta(hours=-1)) == "-1 h"
    assert on_the_clock(datetime(2026, 3, 2, 7, 15, tzinfo=UTC), "Europe/Berlin") == (
        "2026-03-02 08:15"
    )
