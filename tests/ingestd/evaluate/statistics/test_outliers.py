from decimal import Decimal

import pytest
from scipy import stats

from ingestd.evaluate.statistics.outliers import (
    cochran_critical,
    cochran_test,
    grubbs_critical,
    grubbs_test,
)
from tests.ingestd.evaluate.published import Check, checks, series


def groups_of(row: Check) -> list[tuple[Decimal, ...]]:
    columns = [series()[name[1:]] for name in row.inputs["groups"].split()]
    return list(zip(*columns, strict=True))


@pytest.mark.parametrize("row", checks("outliers"), ids=str)
def test_outlier_test_is_as_published(row: Check) -> None:
    quantity = row.quantity
    if quantity == "grubbs critical":
        two_sided = row.inputs["sides"] == "2"
        row.agrees(
            grubbs_critical(int(row.inputs["n"]), alpha=row.number("alpha"), two_sided=two_sided)
        )
    elif quantity == "grubbs statistic":
        row.agrees(grubbs_test(row.numbers("y")).statistic)
    elif quantity == "grubbs suspect":
        test = grubbs_test(row.numbers("y"))
        assert test.stands_out
        row.agrees(test.suspect)
    elif quantity == "cochran critical":
        groups, n = int(row.inputs["groups"]), int(row.inputs["n"])
        row.agrees(cochran_critical(groups, n, alpha=row.number("alpha")))
    else:
        assert quantity == "cochran statistic"
        row.agrees(cochran_test(groups_of(row)).statistic)


def test_apricot_scatter_stands_out_at_five_but_not_at_one_percent() -> None:
    row = next(r for r in checks("outliers", "cochran statistic") if r.id == "apricot")
    at_five = cochran_test(groups_of(row))
    assert (at_five.suspect, at_five.stands_out) == (3, True)
    assert not cochran_test(groups_of(row), alpha=Decimal("0.01")).stands_out


@pytest.mark.parametrize("n", [3, 8, 30])
def test_grubbs_critical_agrees_with_scipy(n: int) -> None:
    t = stats.t.ppf(1 - 0.05 / (2 * n), n - 2)
    want = (n - 1) / n**0.5 * (t * t / (n - 2 + t * t)) ** 0.5
    assert float(grubbs_critical(n)) == pytest.approx(want, rel=1e-10)


def test_low_value_stands_out_too() -> None:
    got = grubbs_test([10, 11, 10, 11, 10, 1])
    assert (got.suspect, got.stands_out) == (5, True)


def test_equal_values_have_no_outlier() -> None:
    got = grubbs_test([5, 5, 5])
    assert got.statistic == 0
    assert not got.stands_out


def test_groups_without_scatter_have_no_outlier() -> None:
    got = cochran_test([[1, 1], [2, 2]])
    assert got.statistic == 0
    assert not got.stands_out


def test_two_values_are_too_few_for_grubbs() -> None:
    with pytest.raises(ValueError, match="2 values"):
        grubbs_test([1, 2])


@pytest.mark.parametrize("groups", [[], [[1, 2]], [[1], [2]]])
def test_too_few_groups_or_values_are_refused(groups: list[list[int]]) -> None:
    with pytest.raises(ValueError, match="the Cochran test needs 2 groups"):
        cochran_test(groups)


def test_groups_of_different_size_are_refused() -> None:
    with pytest.raises(ValueError, match=r"groups of \[2, 3\] values"):
        cochran_test([[1, 2], [1, 2, 3]])
