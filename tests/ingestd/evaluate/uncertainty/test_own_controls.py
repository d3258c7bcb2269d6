"""Uncertainty from control history against the exact functions and published pairs.

The exact functions of `uncertainty` carry the published checks; here the quick arithmetic over a
history must agree with them.
"""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate import evaluate
from ingestd.evaluate.statistics.spread import standard_deviation
from ingestd.evaluate.uncertainty.bias_and_scatter import (
    bias_from_reference,
    combine,
    root_sum_of_squares,
    scatter_of_duplicates,
)
from ingestd.evaluate.uncertainty.own_controls import own_uncertainty
from ingestd.model import ControlPoint, Role
from tests.ingestd.evaluate.bench_day import STANDARD, START, day, result_of
from tests.ingestd.evaluate.published import checks


def standards(values: list[Decimal], nominal: Decimal = Decimal(500)) -> list[ControlPoint]:
    return [
        ControlPoint(
            run=f"R-{n}",
            position=2,
            role=Role.CONTROL_STANDARD,
            at=START - timedelta(days=n + 1),
            instrument="meter-1",
            value=value,
            nominal=nominal,
        )
        for n, value in enumerate(values)
    ]


def duplicates(pairs: list[tuple[Decimal, Decimal]]) -> list[ControlPoint]:
    return [
        replace(point, role=Role.DUPLICATE, nominal=None, partner=partner)
        for point, (_, partner) in zip(standards([a for a, _ in pairs]), pairs, strict=True)
    ]


values = st.lists(
    st.decimals(min_value=450, max_value=550, places=1), min_size=8, max_size=20
).filter(lambda v: len(set(v)) > 1)
pairs = st.lists(
    st.tuples(
        st.decimals(min_value=20, max_value=900, places=1),
        st.decimals(min_value=20, max_value=900, places=1),
    ),
    min_size=8,
    max_size=20,
)


@given(values, pairs)
def test_quick_arithmetic_agrees_with_the_exact_functions(
    found: list[Decimal], twice: list[tuple[Decimal, Decimal]]
) -> None:
    got = own_uncertainty([*standards(found), *duplicates(twice)], Decimal(500), Decimal(5))
    scatter = Fraction(standard_deviation(found)) / 5  # percent of 500
    between = scatter_of_duplicates(twice).relative_sd
    assert between is not None
    bias = bias_from_reference(found, Decimal(500), half_interval_95=Decimal(5))
    want = combine(root_sum_of_squares([scatter, between]), bias.u_bias).expanded
    assert got.percent is not None
    assert abs(got.percent - want) < Decimal("1e-25")


@pytest.mark.parametrize("check", checks("own_uncertainty"), ids=str)
def test_published_duplicates_give_their_scatter(check: object) -> None:
    """Equal control standards leave nothing but the scatter of the published pairs."""
    row = check.inputs  # type: ignore[attr-defined]
    twice = [
        (Decimal(a), Decimal(b)) for a, b in (pair.split("/") for pair in row["pairs"].split())
    ]
    history = [*standards([Decimal(500)] * 8), *duplicates(twice)]
    got = own_uncertainty(history, Decimal(500), Decimal(0))
    assert got.percent is not None
    check.agrees(got.percent / 2)  # type: ignore[attr-defined]


def test_too_short_a_history_states_no_uncertainty_and_says_so() -> None:
    short = [*standards([Decimal(500)] * 7), *duplicates([(Decimal(10), Decimal(11))] * 20)]
    got = own_uncertainty(short, Decimal(500), Decimal(5))
    assert got.percent is None
    assert "7 control standards and 20 duplicates" in got.sentence
    assert own_uncertainty([], None, Decimal(0)).percent is None


def test_standards_of_another_level_do_not_count() -> None:
    history = [
        *standards([Decimal(100)] * 20, nominal=Decimal(100)),
        *duplicates([(Decimal(10), Decimal(11))] * 20),
    ]
    assert own_uncertainty(history, Decimal(500), Decimal(5)).percent is None
    assert own_uncertainty(history, None, Decimal(5)).percent is not None


def test_nominal_value_counts_as_the_same_whatever_its_last_digits() -> None:
    nominal = Decimal(1000) / 3
    history = [
        *standards([Decimal(330)] * 8, nominal=nominal),
        *duplicates([(Decimal(10), Decimal(11))] * 8),
    ]
    longer = Decimal("333.3333333333333333333333333333333333333")
    assert own_uncertainty(history, longer, Decimal(5)).percent is not None


def test_pair_of_zeros_is_left_out() -> None:
    nought = duplicates([(Decimal(0), Decimal(0))] * 8)
    assert (
        own_uncertainty([*standards([Decimal(1)] * 8), *nought], None, Decimal(0)).percent is None
    )


def test_result_carries_its_uncertainty_at_its_own_place() -> None:
    found = [Decimal(v) for v in ("500", "505", "495", "510", "490", "500", "502", "498")]
    twice = [(Decimal(100), Decimal(104)), (Decimal(300), Decimal(306))] * 4
    facts = day(control_history=(*standards(found), *duplicates(twice)))
    result = result_of(evaluate(facts), "W-102")
    assert result.text == "1480"
    # 2 x root(1.228^2 + 2.613^2 + 0 + 1.228^2/8 + 0.510^2) = 5.93 % of 1480, to tens; computed
    assert result.uncertainty == Decimal(90)
    assert any("k = 2" in step for step in result.steps)
    assert result_of(evaluate(day()), "W-102").uncertainty is None


def test_uncertainty_is_never_rounded_to_nothing() -> None:
    found = [Decimal(v) for v in ("500", "500.1", "499.9", "500", "500", "500", "500", "500")]
    twice = [(Decimal(100), Decimal("100.01"))] * 8
    facts = day(
        control_history=(*standards(found), *duplicates(twice)),
        standards={"S77": replace(STANDARD, expanded_uncertainty=Decimal(0))},
    )
    # about 0.02 % of 1480, which would vanish in the tens
    assert result_of(evaluate(facts), "W-102").uncertainty == Decimal(10)
