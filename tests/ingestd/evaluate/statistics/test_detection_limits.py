from collections.abc import Sequence
from decimal import Decimal

import pytest

from ingestd.evaluate.statistics.calibration import calibrate
from ingestd.evaluate.statistics.detection_limits import (
    WITHIN_BATCH_FACTOR,
    limit_interval,
    limit_still_holds,
    limits_from_blanks,
    limits_from_calibration,
    method_detection_limit,
    within_batch_limit,
)
from ingestd.evaluate.statistics.quantiles import normal_quantile
from tests.ingestd.evaluate.published import Check, checks

SPIKES = [Decimal(n) for n in (10, 11, 12, 10, 11, 12, 11)]


@pytest.mark.parametrize("row", checks("limits"), ids=str)
def test_limit_is_as_published(row: Check) -> None:
    row.agrees(limit_of(row))


def limit_of(row: Check) -> Decimal:
    quantity = row.quantity
    if quantity == "within batch":
        return within_batch_limit(row.number("sd"))
    if quantity.startswith("interval"):
        low, high = limit_interval(
            row.number("limit"), int(row.inputs["df"]), level=row.number("level")
        )
        return low if quantity == "interval low" else high
    if quantity.startswith("mdl"):
        mdl = method_detection_limit(row.numbers("spikes"), row.numbers("blanks"))
        assert mdl.from_blanks is not None
        assert (mdl.spikes, mdl.blanks) == (7, 7)
        return {
            "mdl from spikes": mdl.from_spikes,
            "mdl from blanks": mdl.from_blanks,
            "mdl": mdl.value,
        }[quantity]
    line = calibrate(row.numbers("x"), row.numbers("y"))
    alpha, k = row.number("alpha"), int(row.inputs["k"])
    limits = (
        limits_from_calibration(line, alpha_quantification=alpha, k=k)
        if quantity.endswith("from line")
        else limits_from_blanks(row.numbers("blanks"), line, alpha_quantification=alpha, k=k)
    )
    return {
        "decision": limits.decision,
        "detection": limits.detection,
        "quantification": limits.quantification,
    }[quantity.split()[0]]


def many_blanks(unknown: int) -> Sequence[Decimal | None]:
    # 40 CFR 136 appendix B revision 2, (2)(d)(iii): the five largest of 164 are 1.5, 1.7, 1.9,
    # 5.0 and 34; rank 0.99 x 164 = 162.36 -> 162, so the limit is 1.9 (from memory).
    largest = [Decimal(text) for text in ("1.5", "1.7", "1.9", "5.0", "34")]
    return [*largest, *[None] * unknown, *[Decimal(1)] * (159 - unknown)]


@pytest.mark.parametrize("unknown", [0, 100])
def test_limit_from_many_blanks_is_the_result_at_rank_99_percent(unknown: int) -> None:
    got = method_detection_limit(SPIKES, many_blanks(unknown), use_percentile=True)
    assert got.from_blanks == Decimal("1.9")


def test_rank_among_blanks_without_number_gives_no_limit() -> None:
    blanks = [Decimal(3), *[None] * 150]
    got = method_detection_limit(SPIKES, blanks, use_percentile=True)
    assert got.from_blanks is None


def test_percentile_is_not_used_for_a_hundred_blanks() -> None:
    blanks = [Decimal(1), None] * 50
    assert method_detection_limit(SPIKES, blanks, use_percentile=True).from_blanks == 1


def test_highest_blank_counts_where_some_gave_no_number() -> None:
    blanks = [None, Decimal("0.2"), None, Decimal("7.5"), None, None, Decimal("0.1")]
    got = method_detection_limit(SPIKES, blanks)
    assert got.from_blanks == got.value == Decimal("7.5")


def test_spikes_alone_count_where_no_blank_gave_a_number() -> None:
    got = method_detection_limit(SPIKES, [None] * 7)
    assert got.from_blanks is None
    assert got.value == got.from_spikes


def test_mean_of_blanks_below_zero_counts_as_zero() -> None:
    below = [Decimal(n) - 5 for n in range(7)]
    centred = [Decimal(n) - 3 for n in range(7)]
    assert (
        method_detection_limit(SPIKES, below).from_blanks
        == method_detection_limit(SPIKES, centred).from_blanks
    )


@pytest.mark.parametrize(("spikes", "blanks", "named"), [(6, 7, "6 spikes"), (7, 6, "6 blanks")])
def test_fewer_than_seven_are_refused(spikes: int, blanks: int, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        method_detection_limit([Decimal(1)] * spikes, [Decimal(0)] * blanks)


@pytest.mark.parametrize(
    ("recomputed", "above", "answer"),
    [
        ("0.5", 2, "keep"),
        ("2.0", 2, "keep"),
        ("0.49", 2, "replace"),
        ("2.01", 2, "replace"),
        ("1", 3, "replace"),
    ],
)
def test_limit_in_force_is_kept_between_half_and_double(
    recomputed: str, above: int, answer: str
) -> None:
    # 40 CFR 136 appendix B revision 2, (4)(f) (from memory).
    got = limit_still_holds(1, Decimal(recomputed), blanks_above=above, blanks=100)
    assert got == (answer == "keep")


@pytest.mark.parametrize(("old", "new", "blanks"), [(0, 1, 9), (1, 0, 9), (1, 1, 0)])
def test_comparison_of_impossible_limits_is_refused(old: int, new: int, blanks: int) -> None:
    with pytest.raises(ValueError, match="limits must be above zero"):
        limit_still_holds(old, new, blanks_above=0, blanks=blanks)


def test_within_batch_factor_is_twice_root_two_times_the_normal_95_percent_point() -> None:
    exact = 2 * Decimal(2).sqrt() * normal_quantile(Decimal("0.95"))
    assert round(exact, 2) == WITHIN_BATCH_FACTOR


def test_negative_scatter_is_refused() -> None:
    with pytest.raises(ValueError, match="below zero"):
        within_batch_limit(Decimal("-0.1"))


@pytest.mark.parametrize("order", [1, 2])
def test_limits_need_a_straight_line_with_a_slope(order: int) -> None:
    flat = calibrate([1, 2, 3, 4], [5, 6, 6, 5], order=2 if order == 2 else 1)
    with pytest.raises(ValueError, match="straight line with a slope"):
        limits_from_calibration(flat)


def test_calibration_that_scatters_too_much_has_no_quantification_limit() -> None:
    noisy = calibrate([1, 2, 3, 4], [1, 5, 2, 6])
    with pytest.raises(ValueError, match="scatters too much"):
        limits_from_calibration(noisy)


def test_limits_are_of_one_measurement_at_a_third_of_uncertainty_unless_it_is_said() -> None:
    """DIN 32645: alpha 0.01 and k = 3 are the standard's own defaults; from memory."""
    line = calibrate(
        [Decimal(n) for n in range(1, 11)],
        [Decimal(n) for n in (2, 4, 7, 8, 10, 12, 15, 16, 18, 21)],
    )
    blanks = [Decimal(n).scaleb(-1) for n in (1, 3, 2, 4, 2, 3, 1, 2, 3, 2)]
    stated = {
        "alpha": Decimal("0.01"), "alpha_quantification": Decimal("0.01"), "k": 3, "repeats": 1,
    }  # fmt: skip
    assert limits_from_blanks(blanks, line) == limits_from_blanks(blanks, line, **stated)
    assert limits_from_calibration(line) == limits_from_calibration(line, **stated)
    assert limits_from_calibration(line) != limits_from_calibration(line, **{**stated, "k": 4})
