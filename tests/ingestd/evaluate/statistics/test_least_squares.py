from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest

from ingestd.evaluate.statistics.least_squares import Fit, fit_design, fit_polynomial
from tests.ingestd.evaluate.published import Check, checks


def fitted(row: Check) -> Fit:
    y = row.numbers("y")
    if row.inputs["model"] == "polynomial":
        return fit_polynomial(row.numbers("x"), y, int(row.inputs["order"]))
    if row.inputs["model"] == "through zero":
        return fit_design([[x] for x in row.numbers("x")], y, intercept=False)
    columns = [row.numbers(name) for name in row.inputs if name.startswith("x")]
    return fit_design([[1, *terms] for terms in zip(*columns, strict=True)], y, intercept=True)


@pytest.mark.parametrize("row", checks("regression"), ids=str)
def test_fit_has_every_certified_digit(row: Check) -> None:
    fit = fitted(row)
    quantity = row.quantity
    if quantity.startswith("B"):
        row.agrees(fit.coefficients[int(quantity[1:])])
    elif quantity.startswith("sd B"):
        row.agrees(fit.coefficient_sds[int(quantity[4:])])
    elif quantity == "residual sd":
        row.agrees(fit.residual_sd)
    elif quantity == "R squared":
        row.agrees(fit.r_squared)
    else:
        assert quantity == "RSS"
        row.agrees(fit.residual_squares)


def test_fit_agrees_with_numpy_on_easy_data() -> None:
    x = [Decimal(n) for n in range(8)]
    y = [Decimal(n) for n in (1, 3, 2, 5, 7, 8, 8, 12)]
    got = [float(c) for c in fit_polynomial(x, y, 2).coefficients]
    want = np.polyfit([float(v) for v in x], [float(v) for v in y], 2)[::-1]
    assert got == pytest.approx(list(want), rel=1e-9)


def test_value_and_leverage_of_a_row_of_the_design() -> None:
    fit = fit_polynomial([0, 1, 2], [1, 3, 5], 1)
    assert fit.value_at([1, 10]) == 21
    # 1/n + (x - mean)^2 / Sxx = 1/3 + 81/2
    assert fit.leverage([1, 10]) == Fraction(1, 3) + Fraction(81, 2)


def test_points_that_fix_the_line_leave_no_scatter_to_judge() -> None:
    fit = fit_polynomial([0, 1], [1, 3], 1)
    with pytest.raises(ValueError, match="2 points fix 2 coefficients exactly"):
        fit.residual_sd  # noqa: B018 - the property itself must refuse


def test_equal_observations_have_no_coefficient_of_determination() -> None:
    with pytest.raises(ValueError, match="all observations are alike"):
        fit_polynomial([0, 1, 2], [4, 4, 4], 1).r_squared  # noqa: B018 - as above


def test_levels_all_alike_are_refused() -> None:
    with pytest.raises(ValueError, match="coefficient 2 cannot be told"):
        fit_polynomial([5, 5, 5], [1, 2, 3], 1)


def test_fewer_points_than_coefficients_are_refused() -> None:
    with pytest.raises(ValueError, match="2 points cannot fix 3 coefficients"):
        fit_polynomial([1, 2], [1, 2], 2)


def test_lengths_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="2 rows of the design but 1 observations"):
        fit_design([[1], [2]], [1], intercept=False)


@pytest.mark.parametrize("design", [[], [[]], [[1, 2], [1]]])
def test_ragged_or_empty_design_is_refused(design: list[list[int]]) -> None:
    with pytest.raises(ValueError, match="needs the same terms"):
        fit_design(design, [1] * len(design), intercept=False)


def test_order_below_one_is_refused() -> None:
    with pytest.raises(ValueError, match="order 0"):
        fit_polynomial([1, 2], [1, 2], 0)


def test_line_through_points_whose_sum_is_minus_one() -> None:
    """y = 3 + 2 x, by construction: an element of the normal equations is then -1."""
    fit = fit_polynomial([-2, 0, 1], [-1, 3, 5], 1)
    assert [Fraction(one) for one in fit.coefficients] == [3, 2]
