from decimal import Decimal
from fractions import Fraction
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.statistics.censoring import (
    Bounds,
    Censoring,
    bounds_of,
    mean_of,
    scaled,
    sum_of,
)

numbers = st.decimals(min_value=0, max_value=1000, places=2)


def test_number_below_ten_times_fifteen_is_below_a_hundred_and_fifty() -> None:
    got = scaled(bounds_of(15, "<"), 10)
    assert got.censoring == "<"
    assert got.stated == 150


@pytest.mark.parametrize(
    ("values", "sign", "stated"),
    [
        ([("10", ""), ("20", "")], "", Fraction(15)),
        ([("10", "<"), ("20", "<")], "<", Fraction(15)),
        ([("10", ""), ("150", ">")], ">", Fraction(80)),
        ([("10", "<"), ("150", ">")], ">", Fraction(75)),
        ([("10", "<"), ("20", "")], None, None),
    ],
)
def test_mean_states_only_what_is_known(
    values: list[tuple[str, Censoring]], sign: str | None, stated: Fraction | None
) -> None:
    got = mean_of([bounds_of(Decimal(value), censoring) for value, censoring in values])
    assert (got.censoring, got.stated) == (sign, stated)


def test_mixed_mean_carries_both_bounds() -> None:
    got = mean_of([bounds_of(10, "<"), bounds_of(20)])
    assert got == Bounds(low=Fraction(10), high=Fraction(15))


@given(
    st.lists(st.tuples(numbers, numbers, st.sampled_from(["", "<", ">"])), min_size=1, max_size=9),
    st.fractions(min_value=1, max_value=100),
)
def test_true_mean_lies_within_the_bounds(
    drawn: list[tuple[Decimal, Decimal, Censoring]], factor: Fraction
) -> None:
    parts, truth = [], Fraction(0)
    for true, other, sign in drawn:
        limit = max(true, other) if sign == "<" else min(true, other) if sign == ">" else true
        parts.append(bounds_of(limit, sign))
        truth += Fraction(true) * factor / len(drawn)
    got = scaled(mean_of(parts), factor)
    assert got.low <= truth
    assert got.high is None or truth <= got.high


def test_plain_number_may_lie_below_zero() -> None:
    assert bounds_of(Decimal("-0.3")).is_number


def test_number_known_to_be_nothing_is_a_number() -> None:
    assert bounds_of(0, "<").censoring == ""


def test_sum_of_nothing_is_zero() -> None:
    assert sum_of([]) == Bounds(low=Fraction(0), high=Fraction(0))


def test_impossible_inputs_are_refused() -> None:
    with pytest.raises(ValueError, match="<-1: a limit cannot be below zero"):
        bounds_of(-1, "<")
    with pytest.raises(ValueError, match="sign '~' is unknown"):
        bounds_of(1, cast("Censoring", "~"))
    with pytest.raises(ValueError, match="factor 0 is not above zero"):
        scaled(bounds_of(1), 0)
    with pytest.raises(ValueError, match="a mean needs at least 1 value"):
        mean_of([])
