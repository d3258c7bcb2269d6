from decimal import Decimal, localcontext
from fractions import Fraction
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.rounding import (
    RoundingMode,
    exact,
    leading_place,
    round_significant,
    round_to,
    statement,
)
from tests.ingestd.evaluate.published import Check, checks

decimals = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9)
modes: list[RoundingMode] = ["half_even", "half_up"]


@pytest.mark.parametrize("row", checks("rounding", "round_to"), ids=str)
def test_value_is_rounded_as_published(row: Check) -> None:
    mode = cast("RoundingMode", row.inputs["mode"])
    got = round_to(Fraction(row.inputs["value"]), row.number("step"), mode)
    assert str(got) == row.expected, row.source


@pytest.mark.parametrize("row", checks("rounding", "round_significant"), ids=str)
def test_significant_digits_are_kept_as_published(row: Check) -> None:
    mode = cast("RoundingMode", row.inputs["mode"])
    got = round_significant(row.number("value"), int(row.inputs["digits"]), mode)
    assert str(got) == row.expected, row.source


@pytest.mark.parametrize("row", checks("rounding", "statement"), ids=str)
def test_value_is_stated_to_the_place_of_its_uncertainty(row: Check) -> None:
    got = statement(
        row.number("value"),
        row.number("uncertainty"),
        uncertainty_digits=int(row.inputs["digits"]),
    )
    assert str(got) == row.expected, row.source


@given(decimals, st.sampled_from(["0.001", "0.1", "1", "5", "10", "0.25"]), st.sampled_from(modes))
def test_rounded_value_is_a_multiple_within_half_a_step(
    value: Decimal, step: str, mode: RoundingMode
) -> None:
    got = round_to(value, Decimal(step), mode)
    assert (Fraction(got) / Fraction(step)).denominator == 1
    assert abs(Fraction(got) - Fraction(value)) <= Fraction(step) / 2
    assert round_to(got, Decimal(step), mode) == got


@given(decimals, st.sampled_from(modes))
def test_rounding_agrees_with_decimal_quantize(value: Decimal, mode: RoundingMode) -> None:
    with localcontext(prec=60):
        want = value.quantize(Decimal("0.01"), rounding=f"ROUND_{mode.upper()}") + 0
    assert str(round_to(value, Decimal("0.01"), mode)) == str(want)


def test_rounding_does_not_depend_on_the_decimal_context() -> None:
    with localcontext(prec=3):
        assert str(round_to(Decimal("123456.25"), Decimal("0.1"))) == "123456.2"


@pytest.mark.parametrize("step", ["0", "-0.1", "NaN", "Infinity"])
def test_step_not_above_zero_is_refused(step: str) -> None:
    with pytest.raises(ValueError, match=r"rounding step .* is not above zero"):
        round_to(Decimal(1), Decimal(step))


def test_unknown_mode_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="use 'half_even' or 'half_up'"):
        round_to(Decimal(1), Decimal(1), cast("RoundingMode", "down"))


@pytest.mark.parametrize("value", ["NaN", "sNaN", "Infinity", "-Infinity"])
def test_value_that_is_no_number_is_refused(value: str) -> None:
    with pytest.raises(ValueError, match="is not a finite number"):
        exact(Decimal(value))


def test_binary_float_is_refused() -> None:
    with pytest.raises(TypeError, match=r"0\.1 is a binary float"):
        exact(cast("Decimal", 0.1))


@given(decimals.filter(bool))
def test_leading_place_is_that_of_the_first_digit(value: Decimal) -> None:
    assert leading_place(value) == value.adjusted()


def test_zero_has_no_leading_place() -> None:
    with pytest.raises(ValueError, match="zero has no leading digit"):
        leading_place(0)


def test_fewer_than_one_significant_digit_is_refused() -> None:
    with pytest.raises(ValueError, match="0 significant digits"):
        round_significant(Decimal("1.5"), 0)


@pytest.mark.parametrize("uncertainty", ["0", "-0.1"])
def test_uncertainty_not_above_zero_is_refused(uncertainty: str) -> None:
    with pytest.raises(ValueError, match="is not above zero"):
        statement(Decimal(5), Decimal(uncertainty))
