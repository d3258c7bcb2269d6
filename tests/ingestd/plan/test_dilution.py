import csv
from decimal import Decimal
from fractions import Fraction
from math import prod
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.model import UNDILUTED
from ingestd.plan.dilution import OneToN, parse_dilution
from ingestd.plan.faults import ValueRefused
from ingestd.plan.quantities import plain
from tests.ingestd.plan.laboratory import DATA

with (DATA / "dilution.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file, strict=True))


def policy_of(row: dict[str, str]) -> OneToN | None:
    return cast("OneToN", row["one_to_n"]) if row["one_to_n"] else None


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["factor"]], ids=lambda row: str(row["id"])
)
def test_dilution_as_written_is_its_exact_factor(row: dict[str, str]) -> None:
    got = parse_dilution(row["text"], policy_of(row))
    assert str(got.factor) == row["factor"], row["source"]
    assert " ".join(map(str, got.steps)) == row["steps"]
    assert got.text == " ".join(row["text"].split())


@pytest.mark.parametrize(
    "row", [row for row in ROWS if not row["factor"]], ids=lambda row: str(row["id"])
)
def test_text_that_is_no_dilution_is_refused_with_the_remedy(row: dict[str, str]) -> None:
    with pytest.raises(ValueRefused) as refused:
        parse_dilution(row["text"], policy_of(row))
    assert str(refused.value) == row["refusal"]


def test_one_is_the_undiluted_dilution_of_the_model() -> None:
    assert parse_dilution("1") == UNDILUTED


factors = st.decimals(min_value=1, max_value=30, places=2)


@given(st.lists(factors, min_size=1, max_size=3))
def test_total_factor_is_the_exact_product_of_its_steps(steps: list[Decimal]) -> None:
    got = parse_dilution(" then ".join(f"x{step}" for step in steps))
    assert Fraction(got.factor) == prod(map(Fraction, steps))


@given(st.integers(1, 999), st.integers(0, 9999))
def test_volumes_are_read_as_all_over_sample_or_refused(sample: int, added: int) -> None:
    try:
        got = parse_dilution(f"{sample}+{added}")
    except ValueRefused as refused:
        # The only reason: no number of nine decimals equals the ratio.
        assert (Fraction(sample + added, sample) * 10**9).denominator != 1
        assert "states exactly" in refused.problem
    else:
        assert Fraction(got.factor) == Fraction(sample + added, sample)


@given(st.lists(factors, min_size=1, max_size=4))
def test_factor_written_out_reads_back_as_the_same(steps: list[Decimal]) -> None:
    factor = parse_dilution(" then ".join(map(str, steps))).factor
    assert parse_dilution(plain(factor)).factor == factor


@given(st.text(max_size=60))
def test_any_text_is_a_dilution_of_one_or_more_or_refused(text: str) -> None:
    try:
        got = parse_dilution(text, "parts")
    except ValueRefused:
        return
    assert got.factor >= 1
