from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.evaluate.statistics.chart_patterns import RUN_RULES, RunRule, signals, signals_at_last
from tests.ingestd.evaluate.published import Check, checks

rules = pytest.mark.parametrize("rule", RUN_RULES.values(), ids=lambda rule: rule.name)
rows_of_distances = st.lists(
    st.decimals(min_value=-4, max_value=4, places=1), min_size=0, max_size=14
)


@pytest.mark.parametrize("row", checks("run_rules"), ids=str)
def test_signals_are_as_worked(row: Check) -> None:
    got = signals(RUN_RULES[row.quantity], row.numbers("z"))
    assert " ".join(str(place + 1) for place in got) == row.expected, row.source


@rules
def test_every_rule_has_a_worked_signal_and_a_source(rule: RunRule) -> None:
    worked = [row for row in checks("run_rules", rule.name) if row.expected]
    assert worked
    assert rule.source


@rules
@given(rows_of_distances)
def test_latest_value_signals_just_when_it_is_among_the_signals(
    rule: RunRule, row: list[Decimal]
) -> None:
    assert signals_at_last(rule, row) == (len(row) - 1 in signals(rule, row))


@rules
@given(rows_of_distances)
def test_mirrored_values_give_the_same_signals(rule: RunRule, row: list[Decimal]) -> None:
    assert signals(rule, [-distance for distance in row]) == signals(rule, row)


@rules
@given(rows_of_distances, rows_of_distances)
def test_later_values_change_no_earlier_signal(
    rule: RunRule, row: list[Decimal], later: list[Decimal]
) -> None:
    both = signals(rule, row + later)
    assert tuple(place for place in both if place < len(row)) == signals(rule, row)


@rules
def test_values_on_the_centre_never_signal(rule: RunRule) -> None:
    assert signals(rule, [0] * 20) == ()


def test_western_electric_rules_together_alarm_falsely_once_in_92_values() -> None:
    """Average run length 91.75 (Champ and Woodall 1987, from memory), by simulation."""
    import numpy as np

    from ingestd.evaluate.statistics.chart_patterns import WESTERN_ELECTRIC_RULES

    random = np.random.default_rng(20240131)
    lengths = []
    for _ in range(400):
        row: list[Decimal] = []
        while True:
            row.append(Decimal(str(round(random.standard_normal(), 6))))
            if any(signals_at_last(rule, row) for rule in WESTERN_ELECTRIC_RULES):
                break
        lengths.append(len(row))
    # Run lengths are nearly geometric: four standard errors of the mean of 400.
    assert abs(np.mean(lengths) - 91.75) < 4 * 91.75 / 20
