from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from scipy import integrate, stats

from ingestd.evaluate.statistics.control_charts import (
    FACTORS,
    ChartLimits,
    factors_for,
    limits_about,
    limits_from_groups,
    limits_from_period,
    limits_from_singles,
    range_limits,
)
from tests.ingestd.evaluate.published import Check, checks, series

FACTOR_NAMES = {"d2": "d2", "d3": "d3", "A2": "a2", "D3": "lower", "D4": "upper"}


def rings(first: int, last: int) -> list[tuple[Decimal, ...]]:
    data = series()
    return [data[f"piston.sample{n}"] for n in range(first, last + 1)]


@pytest.mark.parametrize(
    "row", [r for r in checks("charts") if r.quantity in FACTOR_NAMES], ids=str
)
def test_factor_is_as_tabulated(row: Check) -> None:
    row.agrees(getattr(factors_for(int(row.inputs["n"])), FACTOR_NAMES[row.quantity]))


@pytest.mark.parametrize("n", sorted(FACTORS))
def test_factors_agree_with_integration_of_the_normal_range(n: int) -> None:
    # Density of the range w of n normal values, and its first two moments.
    mean = integrate.quad(lambda w: 1 - range_distribution(w, n), 0, 12)[0]
    square = integrate.quad(lambda w: 2 * w * (1 - range_distribution(w, n)), 0, 12)[0]
    d2, d3 = mean, np.sqrt(square - mean**2)
    got = FACTORS[n]
    assert float(got.d2) == pytest.approx(d2, abs=0.0006)
    assert float(got.d3) == pytest.approx(d3, abs=0.0006)
    assert float(got.a2) == pytest.approx(3 / (d2 * np.sqrt(n)), abs=0.001)
    assert float(got.lower) == pytest.approx(max(0, 1 - 3 * d3 / d2), abs=0.001)
    assert float(got.upper) == pytest.approx(1 + 3 * d3 / d2, abs=0.0015)


def range_distribution(w: float, n: int) -> float:
    x = np.linspace(-8, 8, 801)
    inside = stats.norm.cdf(x + w) - stats.norm.cdf(x)
    return float(integrate.simpson(n * stats.norm.pdf(x) * inside ** (n - 1), x=x))


@pytest.mark.parametrize(
    "row",
    [
        r
        for r in checks("charts")
        if r.id in {"piston", "flow"} and not r.quantity.startswith("outside")
    ],
    ids=str,
)
def test_limits_are_as_published(row: Check) -> None:
    if row.id == "piston":
        charts = limits_from_groups(rings(1, int(row.inputs["samples"])))
    else:
        charts = limits_from_singles(row.numbers("y"))
    row.agrees(
        {
            "mean": charts.means.centre,
            "mean range": charts.ranges.centre,
            "upper action": charts.means.upper_action,
            "lower action": charts.means.lower_action,
            "range upper action": charts.ranges.upper_action,
            "range lower action": charts.ranges.lower_action,
        }[row.quantity]
    )


@pytest.mark.parametrize(
    "row", [r for r in checks("charts") if r.quantity.startswith("outside")], ids=str
)
def test_values_outside_are_as_published(row: Check) -> None:
    if row.id == "piston":
        chart = limits_from_groups(rings(1, 25)).means
        first = int(row.inputs["first"])
        groups = rings(first, int(row.inputs["last"]))
        values = [sum(map(Fraction, group), Fraction(0)) / len(group) for group in groups]
    else:
        chart = limits_about(row.number("centre"), row.number("sd"))
        first, values = 1, [Fraction(value) for value in row.numbers("y")]
    outside = [n for n, value in enumerate(values, first) if chart.zone(value) == "action"]
    assert " ".join(map(str, outside)) == row.expected


@pytest.mark.parametrize(
    ("value", "zone"),
    [
        ("106", "inside"),
        ("106.0001", "warning"),
        ("109", "warning"),
        ("109.0001", "action"),
        ("94", "inside"),
        ("93.9999", "warning"),
        ("91", "warning"),
        ("90.9999", "action"),
    ],
)
def test_value_on_a_limit_is_not_yet_beyond(value: str, zone: str) -> None:
    assert limits_about(100, 3).zone(Decimal(value)) == zone


def test_distance_is_counted_in_standard_deviations() -> None:
    assert limits_about(100, 3).distance(Decimal(94)) == -2


def test_chart_without_width_has_no_distance() -> None:
    with pytest.raises(ValueError, match="no width"):
        limits_about(100, 0).distance(100)


def test_period_gives_limits_about_its_mean_or_a_certified_value() -> None:
    values = [Decimal(n) for n in (98, 102) * 10]
    chart = limits_from_period(values)
    assert chart.centre == 100
    # Variance of ten pairs at distance 2 is 80/19.
    width = chart.upper_action - 100
    assert abs(width**2 - 9 * Fraction(80, 19)) < Fraction(1, 10**30)
    certified = limits_from_period(values, centre=Decimal(101))
    assert (certified.centre, certified.upper_warning - 101) == (
        Fraction(101),
        chart.upper_warning - 100,
    )


def test_range_chart_of_pairs_warns_at_two_and_acts_at_three_deviations() -> None:
    # Nordtest TR 569 (from memory): 1.128 s, 2.833 s and 3.686 s for pairs.
    chart = range_limits(Decimal("1.128"), 2)
    assert float(chart.upper_warning) == pytest.approx(2.833, abs=0.002)
    assert float(chart.upper_action) == pytest.approx(3.686, abs=0.002)
    assert [chart.lower_action, chart.lower_warning] == [0, 0]


def test_range_chart_of_larger_groups_has_a_lower_limit() -> None:
    chart = range_limits(10, 7)
    assert chart.lower_action == Fraction("0.76")
    assert chart.lower_action < chart.lower_warning < chart.centre


def test_period_too_short_for_limits_is_refused() -> None:
    with pytest.raises(ValueError, match="19 in the period; at least 20"):
        limits_from_period([Decimal(1)] * 19)
    with pytest.raises(ValueError, match="1 in the period; at least 2"):
        limits_from_singles([Decimal(1)])
    with pytest.raises(ValueError, match="0 in the period; at least 1"):
        limits_from_groups([], fewest=0)


def test_negative_scatter_is_refused() -> None:
    with pytest.raises(ValueError, match="standard deviation of -1"):
        limits_about(0, -1)
    with pytest.raises(ValueError, match="mean range of -1"):
        range_limits(-1, 2)


def test_groups_of_different_size_are_refused() -> None:
    with pytest.raises(ValueError, match=r"groups of \[2, 3\]"):
        limits_from_groups([[1, 2], [1, 2, 3]])


@pytest.mark.parametrize("n", [1, 11])
def test_group_size_without_factors_is_refused(n: int) -> None:
    with pytest.raises(ValueError, match="tabulated for 2 to 10"):
        range_limits(1, n)


def test_limits_are_values() -> None:
    chart = limits_about(0, 1)
    assert chart == ChartLimits(
        lower_action=Fraction(-3),
        lower_warning=Fraction(-2),
        centre=Fraction(0),
        upper_warning=Fraction(2),
        upper_action=Fraction(3),
    )
