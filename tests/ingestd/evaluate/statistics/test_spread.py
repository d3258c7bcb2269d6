from decimal import Decimal
from fractions import Fraction
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from ingestd.evaluate.statistics.spread import (
    MAD_TO_SD,
    as_decimal,
    mean,
    median,
    median_absolute_deviation,
    relative_standard_deviation,
    square_root,
    standard_deviation,
    variance,
)
from tests.ingestd.evaluate.published import Check, checks

numbers = st.lists(st.decimals(min_value=-1000, max_value=1000, places=3), min_size=2, max_size=12)


def values_of(row: Check) -> tuple[Decimal, ...]:
    if "first" not in row.inputs:
        return row.numbers("y")
    return (row.number("first"), *(row.numbers("then") * int(row.inputs["times"])))


@pytest.mark.parametrize("row", checks("univariate", "mean"), ids=str)
def test_mean_has_every_certified_digit(row: Check) -> None:
    row.agrees(mean(values_of(row)))


@pytest.mark.parametrize("row", checks("univariate", "sd"), ids=str)
def test_standard_deviation_has_every_certified_digit(row: Check) -> None:
    row.agrees(standard_deviation(values_of(row)))


@pytest.mark.parametrize("row", checks("history", "median"), ids=str)
def test_median_is_as_published(row: Check) -> None:
    row.agrees(median(row.numbers("y")))


@pytest.mark.parametrize("row", checks("history", "mad"), ids=str)
def test_median_absolute_deviation_is_as_published(row: Check) -> None:
    row.agrees(median_absolute_deviation(row.numbers("y")))


def test_mad_factor_is_the_reciprocal_of_the_upper_quartile() -> None:
    assert round(1 / NormalDist().inv_cdf(0.75), 4) == float(MAD_TO_SD)


@given(numbers)
def test_spread_agrees_with_numpy_and_scipy(values: list[Decimal]) -> None:
    floats = [float(value) for value in values]
    assert float(mean(values)) == pytest.approx(np.mean(floats), abs=1e-9)
    assert float(variance(values)) == pytest.approx(np.var(floats, ddof=1), rel=1e-9, abs=1e-9)
    assert float(median(values)) == pytest.approx(np.median(floats), abs=1e-9)
    mad = stats.median_abs_deviation(floats)
    assert float(median_absolute_deviation(values)) == pytest.approx(mad, abs=1e-9)


@given(numbers, st.randoms(use_true_random=False))
def test_spread_does_not_depend_on_the_order_of_values(
    values: list[Decimal], random: "np.random.Generator"
) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)
    assert mean(shuffled) == mean(values)
    assert variance(shuffled) == variance(values)
    assert median(shuffled) == median(values)


@given(st.fractions(min_value=0, max_value=10**6, max_denominator=10**6))
def test_square_root_is_correct_to_the_last_digit(value: Fraction) -> None:
    root = Fraction(square_root(value))
    # Half a unit in the fortieth digit, relative to the root.
    assert abs(root**2 - value) <= value * Fraction(11, 10**40)


@pytest.mark.parametrize(("value", "root"), [("0", "0"), ("4", "2"), ("0.0625", "0.25")])
def test_exact_root_stays_short(value: str, root: str) -> None:
    assert str(square_root(Decimal(value))) == root


def test_root_is_rounded_up_where_that_is_nearer() -> None:
    # sqrt 3 = 1.73205080756887729352744634150587236694280525381038062805580697...
    assert str(square_root(3)) == "1.732050807568877293527446341505872366943"
    # sqrt 2 = 1.41421356237309504880168872420969807856967187537694807317667973...
    assert str(square_root(2)) == "1.41421356237309504880168872420969807857"


def test_square_root_of_a_negative_number_is_refused() -> None:
    with pytest.raises(ValueError, match="below zero"):
        square_root(-1)


def test_relative_standard_deviation_is_in_percent_of_the_mean() -> None:
    got = relative_standard_deviation([Decimal(9), Decimal(11)])
    assert got == square_root(200)


def test_relative_standard_deviation_of_a_zero_mean_is_none() -> None:
    assert relative_standard_deviation([Decimal(-1), Decimal(1)]) is None


def test_mean_and_median_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="a mean needs at least 1 values; 0 given"):
        mean([])
    with pytest.raises(ValueError, match="a median needs at least 1"):
        median([])


def test_variance_of_one_value_is_refused() -> None:
    with pytest.raises(ValueError, match="a variance needs at least 2 values; 1 given"):
        variance([Decimal(1)])


def test_ratio_becomes_a_decimal_of_forty_digits() -> None:
    assert str(as_decimal(Fraction(1, 3))) == "0." + "3" * 40
