from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.plan.faults import ValueRefused
from ingestd.plan.quantities import exact_decimal, parse_quantity, plain

NOT_PLAIN = "this is not a plain number; write digits with at most one point, such as 12 or 2.5"
TOO_LONG = (
    "the number has more than 9 digits before or after its point; "
    "write only the digits that were measured"
)
COMMA = "numbers are written with a decimal point, a comma could also part thousands; write 1.5"


@given(st.integers(0, 999_999_999), st.from_regex(r"\A(\.[0-9]{1,9})?\Z"))
def test_number_keeps_the_digits_as_written(whole: int, rest: str) -> None:
    assert plain(parse_quantity(f"{whole}{rest}")) == f"{whole}{rest}"


@pytest.mark.parametrize(
    ("text", "refusal"),
    [
        ("1,5", COMMA),
        ("-5", "the number is below zero; write a number that is zero or more"),
        ("−5.2", "the number is below zero; write a number that is zero or more"),
        ("1234567890", TOO_LONG),
        ("0.1234567890", TOO_LONG),
        ("", NOT_PLAIN),
        (".5", NOT_PLAIN),
        ("5.", NOT_PLAIN),
        ("1.2.3", NOT_PLAIN),
        ("1,234.5", NOT_PLAIN),
        ("1_000", NOT_PLAIN),
        ("1e3", NOT_PLAIN),
        ("nan", NOT_PLAIN),
        ("١٢", NOT_PLAIN),
        ("+5", NOT_PLAIN),
        ("5 mg/L", NOT_PLAIN),
    ],
)
def test_text_that_is_no_plain_number_is_refused(text: str, refusal: str) -> None:
    with pytest.raises(ValueRefused) as refused:
        parse_quantity(text)
    assert str(refused.value) == refusal


@given(st.decimals(-1000, 1000, places=6))
def test_decimal_number_is_found_again_from_its_ratio(number: Decimal) -> None:
    assert exact_decimal(Fraction(number)) == number


@given(st.fractions())
def test_ratio_has_a_decimal_only_if_that_equals_it(ratio: Fraction) -> None:
    got = exact_decimal(ratio)
    if got is None:
        rest = ratio.denominator
        for prime in (2, 5):
            while rest % prime == 0:
                rest //= prime
        assert rest > 1
    else:
        assert Fraction(got) == ratio


def test_number_is_written_without_exponent() -> None:
    assert plain(Decimal("1E+3")) == "1000"
