from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from ingestd.evaluate.statistics.calibration import (
    calibrate,
    concentration_from,
    predict,
    slope_at,
)
from tests.ingestd.evaluate.published import Check, checks, series

PREDICTED = {"concentration", "standard error", "half width"}


@pytest.mark.parametrize(
    "row", [r for r in checks("calibration") if r.quantity not in PREDICTED], ids=str
)
def test_calibration_statistic_is_as_published(row: Check) -> None:
    line = calibrate(row.numbers("x"), row.numbers("y"))
    if row.quantity.startswith("second order"):
        curve = calibrate(row.numbers("x"), row.numbers("y"), order=2)
        what = row.quantity.removeprefix("second order ")
        row.agrees(
            curve.residual_sd if what == "residual sd" else curve.coefficients[int(what[1])]
        )
        return
    answers: dict[str, Decimal | Fraction] = {
        "intercept": line.coefficients[0],
        "slope": line.coefficients[1],
        "residual sd": line.residual_sd,
        "method sd": line.method_sd,
        "variation percent": line.method_variation_percent,
        "correlation": line.correlation,
    }
    row.agrees(answers[row.quantity])


@pytest.mark.parametrize(
    "row", [r for r in checks("calibration") if r.quantity in PREDICTED], ids=str
)
def test_result_and_its_confidence_interval_are_as_published(row: Check) -> None:
    line = calibrate(row.numbers("x"), row.numbers("y"))
    got = predict(line, row.numbers("signals"), level=row.number("level"))
    answers: dict[str, Decimal | Fraction] = {
        "concentration": got.concentration,
        "standard error": got.standard_error,
        "half width": got.half_width,
    }
    row.agrees(answers[row.quantity])
    assert got.high - got.concentration == Fraction(got.half_width) == got.concentration - got.low


def test_line_agrees_with_scipy() -> None:
    x, y = series()["nitrite.x"], series()["nitrite.y"]
    want = stats.linregress([float(v) for v in x], [float(v) for v in y])
    line = calibrate(x, y)
    assert float(line.coefficients[1]) == pytest.approx(want.slope, rel=1e-12)
    assert float(line.coefficients[0]) == pytest.approx(want.intercept, rel=1e-10)
    assert float(line.correlation) == pytest.approx(want.rvalue, rel=1e-12)
    assert float(line.fit.coefficient_sds[1]) == pytest.approx(want.stderr, rel=1e-10)


@given(
    st.fractions(min_value=0, max_value=100, max_denominator=100),
    st.sampled_from(
        [
            ("0.01", "0.02"),
            ("0.01", "-0.02"),
            ("0.01", "0.02", "-0.00005"),
            ("0.01", "0.02", "0.00005"),
            ("1.5", "-0.02", "0.00005"),
        ]
    ),
)
def test_concentration_comes_back_from_its_own_signal(x: Fraction, texts: tuple[str, ...]) -> None:
    coefficients = [Fraction(text) for text in texts]
    signal = sum(c * x**power for power, c in enumerate(coefficients))
    assert concentration_from(coefficients, Fraction(signal)) == pytest.approx(x, abs=1e-30)


def test_curve_of_vanishing_curvature_meets_the_line() -> None:
    line = concentration_from([0, Decimal("0.02")], Decimal("0.5"))
    curve = concentration_from([0, Decimal("0.02"), Decimal("1e-20")], Decimal("0.5"))
    assert abs(line - curve) < Fraction(1, 10**13)


def test_reagent_blank_is_taken_off_the_signal() -> None:
    got = concentration_from([0, Decimal("0.002")], Decimal("0.530"), blank=Decimal("0.030"))
    assert got == 250


def test_second_order_interval_uses_the_slope_at_the_result() -> None:
    x, y = series()["iron.x"], series()["iron.y"]
    curve = calibrate(x, y, order=2)
    steep, flat = predict(curve, [Decimal("0.2")]), predict(curve, [Decimal("1.6")])
    assert slope_at(curve.coefficients, steep.concentration) > slope_at(
        curve.coefficients, flat.concentration
    )
    assert steep.half_width < flat.half_width
    # Delta method with the covariance that numpy's least squares gives.
    import numpy as np

    coefficients, covariance = np.polyfit(
        [float(v) for v in x], [float(v) for v in y], 2, cov=True
    )
    at = float(flat.concentration)
    row = np.array([at**2, at, 1])
    slope = 2 * coefficients[0] * at + coefficients[1]
    error = np.sqrt(float(curve.residual_sd) ** 2 + row @ covariance @ row) / abs(slope)
    assert float(flat.standard_error) == pytest.approx(error, rel=1e-6)


def test_range_and_sensitivity_are_kept() -> None:
    got = calibrate([1, 2, 3, 4], [2, 4, 6, 9], order=2)
    assert [got.lowest, got.highest, got.mean_concentration] == [1, 4, Fraction(5, 2)]
    assert got.sensitivity == slope_at(got.coefficients, Fraction(5, 2))


def test_signal_beyond_the_turning_point_is_refused() -> None:
    with pytest.raises(ValueError, match="beyond the turning point of the calibration curve, 2"):
        concentration_from([0, Decimal("0.02"), Decimal("-0.00005")], Decimal("2.1"))


@pytest.mark.parametrize("coefficients", [[1], [1, 2, 3, 4]])
def test_wrong_number_of_coefficients_is_refused(coefficients: list[int]) -> None:
    with pytest.raises(ValueError, match="2 or 3 coefficients"):
        concentration_from(coefficients, 1)


def test_flat_calibration_is_refused() -> None:
    with pytest.raises(ValueError, match="the calibration is flat"):
        concentration_from([1, 0], 1)
    with pytest.raises(ValueError, match="the calibration is flat"):
        calibrate([1, 2, 3], [5, 7, 5]).method_sd  # noqa: B018 - the property must refuse


def test_mean_concentration_of_zero_has_no_variation_in_percent() -> None:
    with pytest.raises(ValueError, match="mean concentration is zero"):
        calibrate([-1, 0, 1], [0, 1, 3]).method_variation_percent  # noqa: B018 - as above


def test_lengths_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="3 concentrations but 2 signals"):
        calibrate([1, 2, 3], [1, 2])
