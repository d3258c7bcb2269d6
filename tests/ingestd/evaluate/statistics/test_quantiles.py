from decimal import Decimal
from statistics import NormalDist

import pytest
from scipy import stats

from ingestd.evaluate.statistics.quantiles import (
    chi_square_probability,
    chi_square_quantile,
    f_probability,
    f_quantile,
    normal_probability,
    normal_quantile,
    t_probability,
    t_quantile,
)
from tests.ingestd.evaluate.published import Check, checks

PROBABILITIES = ["0.001", "0.01", "0.05", "0.25", "0.5", "0.6", "0.95", "0.975", "0.995"]
FREEDOMS = [1, 2, 3, 4, 7, 10, 30, 99]


def df_of(row: Check) -> list[int]:
    return [int(part) for part in row.inputs["df"].split()]


@pytest.mark.parametrize("row", checks("quantiles", "normal"), ids=str)
def test_normal_quantile_is_as_tabulated(row: Check) -> None:
    row.agrees(normal_quantile(row.number("p")))


@pytest.mark.parametrize("row", checks("quantiles", "t"), ids=str)
def test_t_quantile_is_as_tabulated(row: Check) -> None:
    row.agrees(t_quantile(row.number("p"), *df_of(row)))


@pytest.mark.parametrize("row", checks("quantiles", "f"), ids=str)
def test_f_quantile_is_as_tabulated(row: Check) -> None:
    above, below = df_of(row)
    row.agrees(f_quantile(row.number("p"), above, below))


@pytest.mark.parametrize("row", checks("quantiles", "chi"), ids=str)
def test_chi_square_quantile_is_as_tabulated(row: Check) -> None:
    row.agrees(chi_square_quantile(row.number("p"), *df_of(row)))


@pytest.mark.parametrize("p", PROBABILITIES)
def test_quantiles_agree_with_scipy(p: str) -> None:
    exact, rough = Decimal(p), float(p)
    assert float(normal_quantile(exact)) == pytest.approx(stats.norm.ppf(rough), rel=1e-10)
    assert float(normal_quantile(exact)) == pytest.approx(NormalDist().inv_cdf(rough), rel=1e-10)
    for df in FREEDOMS:
        assert float(t_quantile(exact, df)) == pytest.approx(
            stats.t.ppf(rough, df), rel=1e-10, abs=1e-15
        )
        assert float(chi_square_quantile(exact, df)) == pytest.approx(
            stats.chi2.ppf(rough, df), rel=1e-10
        )
    for above, below in [(1, 3), (1, 9), (9, 9), (4, 20), (30, 7)]:
        assert float(f_quantile(exact, above, below)) == pytest.approx(
            stats.f.ppf(rough, above, below), rel=1e-10
        )


@pytest.mark.parametrize("at", ["0", "0.01", "0.5", "1", "1.96", "3.2", "12"])
def test_probabilities_agree_with_scipy(at: str) -> None:
    exact, rough = Decimal(at), float(at)
    for sign in (1, -1):
        assert float(normal_probability(sign * exact)) == pytest.approx(
            stats.norm.cdf(sign * rough), abs=1e-12
        )
    for df in FREEDOMS:
        for sign in (1, -1):
            assert float(t_probability(sign * exact, df)) == pytest.approx(
                stats.t.cdf(sign * rough, df), abs=1e-12
            )
        assert float(chi_square_probability(exact, df)) == pytest.approx(
            stats.chi2.cdf(rough, df), abs=1e-12
        )
        assert float(f_probability(exact, df, 5)) == pytest.approx(
            stats.f.cdf(rough, df, 5), abs=1e-12
        )


def test_known_closed_forms_hold_to_the_last_digit_returned() -> None:
    # One degree of freedom is the Cauchy distribution: the 75 % point is tan(45 degrees) = 1.
    assert abs(t_quantile(Decimal("0.75"), 1) - 1) < Decimal("1e-24")
    # F with 2 and 2 degrees of freedom: p = f / (1 + f).
    assert abs(f_quantile(Decimal("0.9"), 2, 2) - 9) < Decimal("1e-23")
    # Two degrees of freedom: p = 1 - exp(-x/2), so the median is 2 ln 2.
    two_ln_two = Decimal("1.386294361119890618834464242916353")
    assert abs(chi_square_quantile(Decimal("0.5"), 2) - two_ln_two) < Decimal("1e-24")


def test_median_of_symmetric_distributions_is_zero() -> None:
    assert normal_quantile(Decimal("0.5")) == 0
    assert t_quantile(Decimal("0.5"), 7) == 0


@pytest.mark.parametrize("p", ["0", "1", "-0.1", "1.5"])
def test_probability_outside_zero_and_one_is_refused(p: str) -> None:
    with pytest.raises(ValueError, match="is not between 0 and 1"):
        t_quantile(Decimal(p), 5)


def test_freedom_below_one_is_refused() -> None:
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        chi_square_quantile(Decimal("0.5"), 0)


def test_negative_sum_of_squares_is_refused() -> None:
    with pytest.raises(ValueError, match="-1 is below zero"):
        f_probability(-1, 2, 2)
