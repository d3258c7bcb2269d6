from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from ingestd.evaluate.statistics.digestion_comparison import (
    Comparison,
    compare_digestions,
    mean_interval,
)
from tests.ingestd.evaluate.published import Check, checks

LEVELS = [Decimal(n) for n in (50, 90, 140, 210, 300, 380, 470, 590, 700, 850)]
NOISE = [
    Decimal(n) for n in ("1.2", "-0.8", "0.5", "-1.4", "1.6", "-0.3", "0.7", "-1.1", "0.4", "-0.8")
]


def fast(factor: str = "1", shift: str = "0", noise: str = "1") -> Sequence[Decimal]:
    return [
        level * Decimal(factor) + Decimal(shift) + error * Decimal(noise)
        for level, error in zip(LEVELS, NOISE, strict=True)
    ]


@pytest.mark.parametrize("row", checks("comparison"), ids=str)
def test_comparison_is_as_published(row: Check) -> None:
    if row.quantity.startswith("interval"):
        pairs = zip(row.numbers("a"), row.numbers("b"), strict=True)
        interval = mean_interval([b - a for a, b in pairs])
        what = {"mean": "value"}.get(row.quantity.split()[1], row.quantity.split()[1])
        row.agrees(getattr(interval, what))
        return
    if row.quantity == "paired t":
        # Sleep gained may be below zero; a common shift leaves the differences alone.
        shift = row.number("shift")
        got = compare_digestions(
            [a + shift for a in row.numbers("a")], [b + shift for b in row.numbers("b")]
        )
        assert got.t is not None
        row.agrees(got.t)
        return
    got = compare_digestions(row.numbers("standard"), row.numbers("fast"))
    line, _, end = row.quantity.partition(" ")
    row.agrees(getattr(got.slope if line == "slope" else got.intercept, end or "value"))


def test_comparison_agrees_with_scipy() -> None:
    new = fast("1.02", "3", "4")
    got = compare_digestions(LEVELS, new)
    x, y = [float(v) for v in LEVELS], [float(v) for v in new]
    paired = stats.ttest_rel(y, x)
    assert got.t is not None
    assert float(got.t) == pytest.approx(paired.statistic, rel=1e-9)
    interval = paired.confidence_interval(0.95)
    assert float(got.difference.low) == pytest.approx(interval.low, rel=1e-9)
    assert float(got.difference.high) == pytest.approx(interval.high, rel=1e-9)
    assert float(got.t_critical) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-10)
    line = stats.linregress(x, y)
    t = stats.t.ppf(0.975, 8)
    assert float(got.slope.high) == pytest.approx(line.slope + t * line.stderr, rel=1e-9)
    assert float(got.intercept.low) == pytest.approx(
        line.intercept - t * line.intercept_stderr, rel=1e-7
    )
    relative = 200 * (np.array(y) - x) / (np.array(y) + x)
    assert float(got.relative.value) == pytest.approx(relative.mean(), rel=1e-9)


def test_digestions_that_differ_by_chance_are_equivalent() -> None:
    got = compare_digestions(LEVELS, fast())
    assert got.equivalent
    assert got.reasons == ()


def bars(got: Comparison, words: str) -> bool:
    return not got.equivalent and any(words in reason for reason in got.reasons)


def test_loss_that_grows_with_the_concentration_bars_the_fast_program() -> None:
    got = compare_digestions(LEVELS, fast("0.88"))
    assert bars(got, "the difference grows with the concentration")
    assert bars(got, "is more than chance")
    assert bars(got, "accepted is what lies wholly within ± 5 %")


def test_constant_gain_bars_the_fast_program() -> None:
    assert bars(
        compare_digestions(LEVELS, fast(shift="40")), "a constant amount is gained or lost"
    )


def test_small_certain_differences_are_named_and_do_not_bar() -> None:
    got = compare_digestions(LEVELS, fast("1.01", "1.5"))
    assert got.equivalent
    assert [reason.split(" of ")[0] for reason in got.reasons] == [
        "the mean difference",
        "the slope",
        "the intercept",
    ]
    assert "but certainly small enough" in got.reasons[0]
    assert "but certainly by little" in got.reasons[1]
    assert "but the results differ little" in got.reasons[2]


def test_scatter_in_which_a_difference_could_hide_bars_the_fast_program() -> None:
    got = compare_digestions(LEVELS, fast(noise="60"), allowed_percent=10)
    assert got.difference.holds(0)
    assert bars(got, "accepted is what lies wholly within ± 10 %")


def test_too_few_pairs_bar_the_fast_program() -> None:
    got = compare_digestions(LEVELS[:4], fast()[:4], allowed_percent=50)
    assert got.reasons == ("4 pairs; at least 10 are demanded",)
    assert not got.equivalent
    assert compare_digestions(LEVELS[:4], fast()[:4], fewest=4, allowed_percent=50).equivalent


def test_equal_results_have_no_t_and_are_equivalent() -> None:
    got = compare_digestions(LEVELS, LEVELS)
    assert got.t is None
    assert got.equivalent
    assert got.slope.low == got.slope.high == 1


def test_constant_difference_has_no_t_but_is_more_than_chance() -> None:
    got = compare_digestions(LEVELS, [level + 40 for level in LEVELS])
    assert got.t is None
    assert bars(got, "the mean difference of 40 is more than chance")


def test_interval_ends_count_as_within() -> None:
    interval = mean_interval([1, 3])
    assert interval.holds(interval.low)
    assert interval.within(interval.low, interval.high)
    assert not interval.within(interval.low, interval.high - Fraction(1, 10**30))


@pytest.mark.parametrize(
    ("standard", "quick", "complaint"),
    [
        ([1, 2, 3], [1, 2], "3 standard but 2 fast"),
        ([1, 2], [1, 2], "2 pairs"),
        ([1, 2, 0], [1, 2, 3], "not above zero"),
        ([1, 2, 3], [1, -2, 3], "not above zero"),
        ([2, 2, 2], [1, 2, 3], "cannot be told"),
    ],
)
def test_pairs_that_cannot_be_compared_are_refused(
    standard: list[int], quick: list[int], complaint: str
) -> None:
    with pytest.raises(ValueError, match=complaint):
        compare_digestions(standard, quick)
