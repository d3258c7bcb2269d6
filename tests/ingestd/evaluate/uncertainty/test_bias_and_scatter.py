from decimal import Decimal
from fractions import Fraction

import pytest

from ingestd.evaluate.statistics.spread import as_decimal
from ingestd.evaluate.uncertainty.bias_and_scatter import (
    bias_from_comparisons,
    bias_from_recoveries,
    bias_from_reference,
    combine,
    coverage_factor,
    effective_freedom,
    relative_of_product,
    root_sum_of_squares,
    scatter_of_duplicates,
)
from tests.ingestd.evaluate.published import Check, checks


def pairs_of(row: Check) -> list[tuple[Decimal, Decimal]]:
    flat = row.numbers("pairs")
    return list(zip(flat[::2], flat[1::2], strict=True))


def rows(*quantities: str) -> list[Check]:
    return [row for row in checks("uncertainty") if row.quantity.split()[0] in quantities]


@pytest.mark.parametrize("row", rows("product"), ids=str)
def test_uncertainty_of_a_product_is_as_published(row: Check) -> None:
    row.agrees(relative_of_product(pairs_of(row)))


@pytest.mark.parametrize("row", rows("freedom"), ids=str)
def test_effective_freedom_is_as_published(row: Check) -> None:
    row.agrees(effective_freedom(pairs_of(row)))


@pytest.mark.parametrize("row", rows("coverage"), ids=str)
def test_coverage_factor_uses_the_whole_number_below(row: Check) -> None:
    row.agrees(coverage_factor(row.number("freedom"), level=row.number("level")))


@pytest.mark.parametrize("row", rows("root"), ids=str)
def test_components_combine_in_squares(row: Check) -> None:
    row.agrees(root_sum_of_squares(row.numbers("parts")))


@pytest.mark.parametrize("row", rows("combined", "expanded"), ids=str)
def test_scatter_and_bias_combine(row: Check) -> None:
    got = combine(row.number("u_rw"), row.number("u_bias"))
    row.agrees(got.combined if row.quantity == "combined" else got.expanded)


@pytest.mark.parametrize("row", rows("comparison"), ids=str)
def test_bias_from_comparisons_is_as_worked(row: Check) -> None:
    bias = bias_from_comparisons(
        row.numbers("deviations"),
        reproducibility_sds=row.numbers("sds"),
        participants=[int(n) for n in row.numbers("participants")],
    )
    total = combine(row.number("u_rw"), bias.u_bias)
    row.agrees(
        {
            "size": bias.size,
            "reference": bias.u_reference,
            "u bias": bias.u_bias,
            "combined": total.combined,
            "expanded": total.expanded,
        }[row.quantity.removeprefix("comparison ")]
    )


@pytest.mark.parametrize("row", rows("reference"), ids=str)
def test_bias_from_a_certified_standard_is_as_worked(row: Check) -> None:
    bias = bias_from_reference(
        row.numbers("results"), row.number("certified"), half_interval_95=row.number("interval")
    )
    row.agrees(
        {
            "size": bias.size,
            "reference": bias.u_reference,
            "u bias": bias.u_bias,
            "expanded": combine(row.number("u_rw"), bias.u_bias).expanded,
        }[row.quantity.removeprefix("reference ")]
    )


@pytest.mark.parametrize("row", rows("recovery"), ids=str)
def test_bias_from_recoveries_is_as_worked(row: Check) -> None:
    got = bias_from_recoveries(row.numbers("recoveries"), u_added_percent=row.number("u_added"))
    row.agrees(got.u_bias)


@pytest.mark.parametrize("row", rows("duplicates"), ids=str)
def test_scatter_of_duplicates_is_as_worked(row: Check) -> None:
    got = scatter_of_duplicates(list(zip(row.numbers("a"), row.numbers("b"), strict=True)))
    assert got.mean_relative_range is not None
    assert got.relative_sd is not None
    assert got.pairs == len(row.numbers("a"))
    row.agrees(
        {
            "range": got.mean_relative_range,
            "relative": got.relative_sd,
            "absolute": got.absolute_sd,
        }[row.quantity.removeprefix("duplicates ")]
    )


def test_pair_with_a_mean_of_zero_leaves_only_the_absolute_scatter() -> None:
    got = scatter_of_duplicates([(1, 3), (-1, 1)])
    assert got.mean_relative_range is None
    assert got.relative_sd is None
    # By hand: the root of (4 + 4) over 2 n = 4.
    assert got.absolute_sd**2 == pytest.approx(2)


def test_unrounded_combined_uncertainty_decides_the_freedom() -> None:
    # JCGM 100 H.1: 32 nm first rounded would give 17.5, unrounded gives 16.7 (from memory).
    parts = [(Decimal(25), 18), (Decimal("9.7"), 25), (Decimal("2.9"), 50), (Decimal("16.6"), 2)]
    assert Decimal("16.6") < as_decimal(effective_freedom(parts)) < Decimal("16.8")


def test_coverage_factor_is_applied_to_the_unrounded_combination() -> None:
    got = combine(3, 4, coverage_factor=Decimal("2.5"))
    assert (str(got.combined), str(got.expanded)) == ("5", "12.5")
    assert (got.u_reproducibility, got.u_bias) == (Decimal(3), Decimal(4))


def test_scatter_without_data_is_refused() -> None:
    with pytest.raises(ValueError, match="0 pairs of duplicates"):
        scatter_of_duplicates([])
    with pytest.raises(ValueError, match="1 results of the standard; at least 2"):
        bias_from_reference([1], 1, half_interval_95=0)
    with pytest.raises(ValueError, match="0 rounds"):
        bias_from_comparisons([], reproducibility_sds=[], participants=[])
    with pytest.raises(ValueError, match="0 recoveries"):
        bias_from_recoveries([], u_added_percent=0)


def test_rounds_without_their_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="2 deviations, 1 standard deviations and 2"):
        bias_from_comparisons([1, 2], reproducibility_sds=[1], participants=[3, 3])


def test_numbers_out_of_bounds_are_refused() -> None:
    with pytest.raises(ValueError, match="certified value 0 is not above zero"):
        bias_from_reference([1, 2], 0, half_interval_95=1)
    with pytest.raises(ValueError, match="half interval 95 is -1"):
        bias_from_reference([1, 2], 1, half_interval_95=-1)
    with pytest.raises(ValueError, match="u bias is -1"):
        combine(1, -1)
    with pytest.raises(ValueError, match="coverage factor 0"):
        combine(1, 1, coverage_factor=Decimal(0))
    with pytest.raises(ValueError, match="factor of zero"):
        relative_of_product([(0, 1)])


def test_freedom_needs_a_component_and_something_to_count() -> None:
    with pytest.raises(ValueError, match="no component is above zero"):
        effective_freedom([(0, 5)])
    with pytest.raises(ValueError, match="degrees of freedom must be above zero"):
        effective_freedom([(1, 0)])
    assert effective_freedom([(1, 5), (1, 5)]) == Fraction(10)
