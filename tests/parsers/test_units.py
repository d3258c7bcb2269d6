"""Units against published spellings and factors; sources stand beside each row of the data."""

import csv
from decimal import Decimal
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.units import (
    ATOMIC_WEIGHTS,
    Basis,
    Unit,
    UnitError,
    UnitName,
    conversion_factor,
    parse_unit,
)

DATA = Path(__file__).parent / "data"
ALL_UNITS = [Unit(name, basis) for name in get_args(UnitName) for basis in get_args(Basis)]


def read_rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def get_unit(text: str) -> Unit:
    unit = parse_unit(text)
    assert unit is not None, text
    return unit


@pytest.mark.parametrize("row", read_rows("unit_spellings.csv"), ids=lambda row: repr(row["text"]))
def test_spelling_is_read_as_published_or_not_at_all(row: dict[str, str]) -> None:
    unit = parse_unit(row["text"])
    assert (str(unit) if unit else "") == row["expected"]


@pytest.mark.parametrize("row", read_rows("unit_factors.csv"), ids=lambda row: row["id"])
def test_factor_agrees_with_published_figure(row: dict[str, str]) -> None:
    got = conversion_factor(get_unit(row["from_unit"]), get_unit(row["to_unit"]))
    want = Fraction(row["expected"])
    assert abs(got - want) <= Fraction(row["tolerance"]), f"got {float(got)!r}, want {want}"


def test_atomic_weights_lie_within_the_published_standard_values() -> None:
    # Standard atomic weights 2021, ciaaw.org: intervals for H, N, O; value(uncertainty) for P.
    intervals = {
        "H": ("1.00784", "1.00811"),
        "N": ("14.00643", "14.00728"),
        "O": ("15.99903", "15.99977"),
        "P": ("30.973761993", "30.973762003"),
    }
    assert intervals.keys() == ATOMIC_WEIGHTS.keys()
    for symbol, (low, high) in intervals.items():
        # The abridged value has five digits; half a unit of its last may lie outside.
        slack = Fraction("0.0005") if symbol != "P" else Fraction(0)
        assert Fraction(low) - slack <= ATOMIC_WEIGHTS[symbol] <= Fraction(high) + slack


def test_there_and_back_is_exactly_one() -> None:
    pairs = 0
    for one, other in product(ALL_UNITS, repeat=2):
        try:
            forth = conversion_factor(one, other)
        except UnitError:
            with pytest.raises(UnitError):
                conversion_factor(other, one)
            continue
        assert forth * conversion_factor(other, one) == 1
        pairs += 1
    # 4 names each; bases in groups of 4 (N), 2 (P) and 1 (O2): (4*4)^2 + (4*2)^2 + 4^2
    assert pairs == 336


@pytest.mark.parametrize(
    ("source", "target"),
    [
        (Unit("mg/L"), Unit("mg/L", "N")),
        (Unit("mg/L", "N"), Unit("mg/L")),
        (Unit("mg/L"), Unit("mmol/L")),
        (Unit("mmol/L"), Unit("mg/L", "PO4")),
        (Unit("mg/L", "N"), Unit("mg/L", "P")),
        (Unit("mg/L", "O2"), Unit("mmol/L", "N")),
    ],
)
def test_doubtful_conversion_is_refused_naming_both_sides(source: Unit, target: Unit) -> None:
    with pytest.raises(UnitError) as refusal:
        conversion_factor(source, target)
    assert f"cannot turn {source} into {target}:" in str(refusal.value)


def test_amounts_without_basis_convert_among_themselves() -> None:
    assert conversion_factor(Unit("mmol/L"), Unit("mmol/L")) == 1


@given(st.text(max_size=20) | st.from_regex(r"[mµu]?[gG] ?/ ?[lL]( [NPO0-9H+\-]{1,5})?"))
def test_any_text_is_a_unit_that_reads_back_or_none(text: str) -> None:
    unit = parse_unit(text)
    assert unit is None or parse_unit(str(unit)) == unit


def test_factor_applies_to_printed_digits_without_binary_rounding() -> None:
    # 10.0 mg/L NO3-N, factor of the abridged weights, to 6 significant digits: 44.2664
    factor = conversion_factor(Unit("mg/L", "N"), Unit("mg/L", "NO3"))
    assert round(Fraction(Decimal("10.0")) * factor, 4) == Fraction("44.2664")
