"""Factors that are proposed: those a laboratory pipettes without arithmetic."""

from decimal import Decimal
from itertools import pairwise

import pytest

from ingestd.evaluate.dilution_proposal import UPPER_SHARE, usual_factor

# Common practice, no source: 1-2-5 steps, and the quarters 25 and 250 of volumetric flasks.
PIPETTED = (2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10000)


@pytest.mark.parametrize(("below", "factor"), [(1, 2), *pairwise(PIPETTED)])
def test_next_usual_factor_is_proposed(below: int, factor: int) -> None:
    assert usual_factor(Decimal(factor)) == factor
    assert usual_factor(Decimal(below) + Decimal("0.001")) == factor


def test_expected_value_is_aimed_at_four_fifths_of_the_range() -> None:
    """Common practice, no source: room for what the expectation is wrong by."""
    assert Decimal("0.8") == UPPER_SHARE
