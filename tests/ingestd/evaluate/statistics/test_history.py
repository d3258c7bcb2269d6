import pytest

from ingestd.evaluate.statistics.history import compare_with_history
from tests.ingestd.evaluate.published import Check, checks, series


@pytest.mark.parametrize("row", checks("history", "score"), ids=str)
def test_robust_score_is_as_worked(row: Check) -> None:
    got = compare_with_history(row.number("value"), row.numbers("history"))
    assert got is not None
    assert got.score is not None
    row.agrees(got.score)
    assert got.unusual
    assert got.earlier == 8


def test_value_near_the_median_is_not_unusual() -> None:
    got = compare_with_history(90, series()["cod-effluent.y"])
    assert got is not None
    assert not got.unusual


def test_value_far_below_is_unusual_too() -> None:
    history = [100, 101, 99, 102, 98, 100, 103, 97]
    got = compare_with_history(50, history)
    assert got is not None
    assert got.unusual


def test_short_history_says_nothing() -> None:
    assert compare_with_history(500, [100] * 7) is None
    assert compare_with_history(500, [], fewest=0) is None


def test_history_of_one_number_has_no_scale_and_no_verdict() -> None:
    got = compare_with_history(500, [100] * 8)
    assert got is not None
    assert got.score is None
    assert not got.unusual
