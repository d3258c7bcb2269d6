from decimal import Decimal
from fractions import Fraction

import pytest
from scipy import stats

from ingestd.evaluate.statistics.linearity import (
    linearity_test,
    response_factors_off,
    segments_off,
    variances_alike,
)
from ingestd.evaluate.statistics.quantiles import f_quantile
from tests.ingestd.evaluate.published import Check, checks


@pytest.mark.parametrize("row", checks("linearity"), ids=str)
def test_linearity_is_judged_as_published(row: Check) -> None:
    x, y = row.numbers("x"), row.numbers("y")
    if row.quantity in {"segments off", "response factors off"}:
        check = segments_off if row.quantity == "segments off" else response_factors_off
        got = check(x, y, percent=row.number("percent"))
        assert " ".join(map(str, got)) == row.expected
        return
    test = linearity_test(x, y, level=Decimal("0.95" if "95" in row.quantity else "0.99"))
    if row.quantity == "test value":
        assert test.test_value is not None
        row.agrees(test.test_value)
    elif row.quantity == "curve is better":
        assert ("yes" if test.curve_is_better else "no") == row.expected
    else:
        row.agrees(test.critical)


def test_perfect_curve_beats_a_line_that_misses() -> None:
    got = linearity_test([0, 1, 2, 3, 4], [0, 1, 4, 9, 16])
    assert got.test_value is None
    assert got.curve_is_better


def test_perfect_line_is_kept() -> None:
    got = linearity_test([0, 1, 2, 3, 4], [0, 2, 4, 6, 8])
    assert got.test_value is None
    assert not got.curve_is_better


def test_variances_are_compared_larger_over_smaller() -> None:
    quiet, loud = [1, 2, 3, 2, 2], [1, 9, 5, 2, 8, 4]
    got = variances_alike(quiet, loud)
    # By hand: (191 - 29^2/6)/5 = 61/6 over (22 - 10^2/5)/4 = 1/2.
    assert got.ratio == Fraction(61, 6) / Fraction(1, 2)
    assert got.critical == f_quantile(Decimal("0.99"), 5, 4)
    assert float(got.critical) == pytest.approx(stats.f.ppf(0.99, 5, 4), rel=1e-10)
    assert not got.alike
    assert variances_alike(loud, quiet) == got


def test_variances_of_equal_series_are_alike() -> None:
    assert variances_alike([1, 2, 3], [4, 5, 6]).alike


def test_scatter_against_none_at_all_is_not_alike() -> None:
    got = variances_alike([1, 1, 1], [1, 2, 1])
    assert (got.ratio, got.alike) == (None, False)


def test_no_scatter_at_either_end_is_alike() -> None:
    got = variances_alike([1, 1, 1], [2, 2, 2])
    assert (got.ratio, got.alike) == (None, True)


def test_levels_that_do_not_rise_are_refused() -> None:
    with pytest.raises(ValueError, match="must rise"):
        segments_off([1, 1, 2], [1, 2, 3])


def test_blank_has_no_response_factor() -> None:
    with pytest.raises(ValueError, match="above zero"):
        response_factors_off([0, 1], [0, 1])
