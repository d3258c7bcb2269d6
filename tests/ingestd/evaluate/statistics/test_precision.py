from decimal import Decimal
from fractions import Fraction

import pytest
from scipy import stats

from ingestd.evaluate.statistics.precision import precision_of
from tests.ingestd.evaluate.published import Check, checks, series


def groups_of(row: Check) -> list[tuple[Decimal, ...]]:
    columns = [series()[name[1:]] for name in row.inputs["groups"].split()]
    return list(zip(*columns, strict=True))


@pytest.mark.parametrize("row", checks("precision"), ids=str)
def test_precision_is_as_published(row: Check) -> None:
    got = precision_of(groups_of(row))
    answers: dict[str, Decimal | Fraction] = {
        "mean": got.mean,
        "repeatability sd": got.repeatability_sd,
        "reproducibility sd": got.reproducibility_sd,
    }
    row.agrees(answers[row.quantity])


def test_variances_agree_with_scipy_analysis_of_variance() -> None:
    row = next(r for r in checks("precision") if r.id == "apricot")
    groups = groups_of(row)
    got = precision_of(groups)
    want = stats.f_oneway(*[[float(v) for v in group] for group in groups]).statistic
    ratio = (got.within + got.per_group * got.between) / got.within
    assert float(ratio) == pytest.approx(want, rel=1e-10)
    assert (got.groups, got.per_group) == (9, 2)


def test_means_that_scatter_less_than_chance_leave_no_variance_between() -> None:
    got = precision_of([[1, 5], [2, 4]])
    assert got.between == Fraction(0)
    assert got.reproducibility_sd == got.repeatability_sd


@pytest.mark.parametrize("groups", [[], [[1, 2]], [[1], [2]], [[1, 2], [1, 2, 3]]])
def test_groups_too_few_too_small_or_unequal_are_refused(groups: list[list[int]]) -> None:
    with pytest.raises(ValueError, match="at least 2 groups of one size"):
        precision_of(groups)
