from decimal import Decimal

import pytest
from scipy import stats

from ingestd.evaluate.statistics.recovery import (
    CRITICAL_RANGE_FACTORS,
    Recovery,
    accept_results,
    critical_range,
    dilutions_agree,
    relative_range,
    repeatability_limit,
    spike_recovery,
    spike_recovery_by_volume,
)
from tests.ingestd.evaluate.published import Check, checks


@pytest.mark.parametrize("row", checks("recovery", "relative range"), ids=str)
def test_relative_range_is_as_published(row: Check) -> None:
    got = relative_range(row.number("a"), row.number("b"))
    if row.expected == "none":
        assert got is None
    else:
        assert got is not None
        row.agrees(got)


@pytest.mark.parametrize("row", checks("recovery", "spike percent"), ids=str)
def test_spike_recovery_is_as_published(row: Check) -> None:
    got = spike_recovery(row.number("measured"), row.number("native"), row.number("added"))
    row.agrees(got.percent)


def test_spike_drowned_by_the_native_content_is_not_meaningful() -> None:
    # United States EPA practice (from memory): native above four times the spike.
    assert not spike_recovery(Decimal("61.2"), 60, 5).meaningful
    assert spike_recovery(Decimal(25), 20, 5).meaningful


def by_volume(row: Check) -> Recovery:
    return spike_recovery_by_volume(
        row.number("measured"),
        row.number("native"),
        sample_ml=row.number("sample"),
        spike_ml=row.number("spike"),
        spike_concentration=row.number("concentration"),
    )


@pytest.mark.parametrize(
    "row", [r for r in checks("recovery") if r.quantity.startswith("volume")], ids=str
)
def test_spike_recovery_counts_the_volume_of_the_spike(row: Check) -> None:
    got = by_volume(row)
    row.agrees(getattr(got, row.quantity.removeprefix("volume ")))


@pytest.mark.parametrize(
    "row", [r for r in checks("recovery") if r.quantity.startswith("accepted")], ids=str
)
def test_repeated_results_are_stated_as_worked(row: Check) -> None:
    results, scatter = row.numbers("results"), row.number("sd")
    got = accept_results(results, scatter)
    assert got.kind == row.quantity.removeprefix("accepted ")
    assert got.value is not None
    row.agrees(got.value)
    if len(results) == 4:  # the first two alone asked for two more
        first = accept_results(results[:2], scatter)
        assert (first.kind, first.value, first.more) == ("measure more", None, 2)


@pytest.mark.parametrize("row", checks("recovery", "limit"), ids=str)
def test_repeatability_limit_is_as_published(row: Check) -> None:
    row.agrees(repeatability_limit(row.number("sd")))


@pytest.mark.parametrize("row", checks("recovery", "critical range"), ids=str)
def test_critical_range_is_as_tabulated(row: Check) -> None:
    row.agrees(critical_range(int(row.inputs["n"]), row.number("sd")))


@pytest.mark.parametrize("n", sorted(CRITICAL_RANGE_FACTORS))
def test_critical_range_factors_are_the_95_percent_points_of_the_normal_range(n: int) -> None:
    exact = stats.studentized_range.ppf(0.95, n, 1e6)
    assert float(CRITICAL_RANGE_FACTORS[n]) == pytest.approx(exact, abs=0.05)


def test_relative_range_of_negative_results_is_not_negative() -> None:
    assert relative_range(-9, -11) == 20


@pytest.mark.parametrize(
    ("results", "agree"),
    [
        ([(100, 6), (110, 8)], "yes"),  # apart by 10 = sqrt(36 + 64): on the limit
        ([(100, 6), (Decimal("110.01"), 8)], "no"),
        ([(100, 6), (105, 6), (120, 6)], "no"),
    ],
)
def test_dilutions_agree_within_their_joint_uncertainty(
    results: list[tuple[Decimal, Decimal]], agree: str
) -> None:
    assert dilutions_agree(results) == (agree == "yes")


def test_impossible_inputs_are_refused() -> None:
    with pytest.raises(ValueError, match="at least two dilutions"):
        dilutions_agree([(1, 1)])
    with pytest.raises(ValueError, match="added concentration of 0"):
        spike_recovery(1, 1, 0)
    with pytest.raises(ValueError, match="must both be above zero"):
        spike_recovery_by_volume(1, 1, sample_ml=0, spike_ml=1, spike_concentration=1)
    with pytest.raises(ValueError, match="must both be above zero"):
        spike_recovery_by_volume(1, 1, sample_ml=1, spike_ml=0, spike_concentration=1)
    with pytest.raises(ValueError, match="3 results; the procedure knows two"):
        accept_results([1, 2, 3], 1)
    with pytest.raises(ValueError, match="11 results; critical ranges"):
        critical_range(11, 1)
    with pytest.raises(ValueError, match="standard deviation of -1"):
        critical_range(2, -1)
