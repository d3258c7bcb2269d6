from decimal import Decimal
from fractions import Fraction
from typing import cast

import numpy as np
import pytest

from ingestd.evaluate.statistics.spread import square_root
from ingestd.evaluate.uncertainty.dilution import (
    Shape,
    Step,
    Volume,
    added,
    made_up,
    step_on_record,
    total_factor,
)
from ingestd.model import DilutionStep
from tests.ingestd.evaluate.published import Check, checks


def volume(row: Check, name: str) -> Volume:
    ml, tolerance = row.numbers(name)
    return Volume(ml=ml, tolerance_ml=tolerance)


def step_of(row: Check) -> Step:
    aliquot = volume(row, "aliquot")
    if "flask" in row.inputs:
        return made_up(aliquot, volume(row, "flask"))
    return added(aliquot, volume(row, "added"))


@pytest.mark.parametrize("row", checks("dilution", "u"), ids=str)
def test_tolerance_becomes_a_standard_uncertainty_as_published(row: Check) -> None:
    got = Volume(
        ml=row.number("ml"),
        tolerance_ml=row.number("tolerance"),
        shape=cast("Shape", row.inputs["shape"]),
    )
    row.agrees(got.u_ml)


@pytest.mark.parametrize("row", checks("dilution", "combined u"), ids=str)
def test_tolerances_of_both_shapes_combine_as_published(row: Check) -> None:
    flask = Volume(ml=100, tolerance_ml=row.number("triangular"), shape="triangular")
    warmth = Volume(ml=100, tolerance_ml=row.number("rectangular"), shape="rectangular")
    repeats = Fraction(row.number("repeats")) ** 2
    row.agrees(square_root(flask.variance + warmth.variance + repeats))


@pytest.mark.parametrize("row", checks("dilution", "relative u"), ids=str)
def test_relative_uncertainty_of_a_step_is_as_worked(row: Check) -> None:
    row.agrees(total_factor([step_of(row)]).relative_u)


@pytest.mark.parametrize("row", checks("dilution", "factor"), ids=str)
def test_factor_of_a_step_is_exact(row: Check) -> None:
    row.agrees(total_factor([step_of(row)]).factor)


def test_step_of_the_plan_is_that_of_its_volumes_in_their_shape() -> None:
    flask = DilutionStep(
        name="A",
        factor=Decimal(10),
        aliquot_ml=Decimal(10),
        aliquot_tolerance_ml=Decimal("0.03"),
        flask_ml=Decimal(100),
        flask_tolerance_ml=Decimal("0.1"),
        shape="rectangular",
    )
    got = step_on_record(flask)
    assert (got.factor, got.relative_variance) == (Fraction(10), Fraction(1, 10**5) / 3)


def test_step_of_the_plan_without_a_second_volume_is_refused() -> None:
    bare = DilutionStep(
        name="bare",
        factor=Decimal(10),
        aliquot_ml=Decimal(10),
        aliquot_tolerance_ml=Decimal("0.03"),
    )
    with pytest.raises(ValueError, match="bare names neither a flask nor a diluent"):
        step_on_record(bare)


def test_two_steps_multiply_and_their_uncertainties_add_in_squares() -> None:
    first = Step(factor=Fraction(10), relative_variance=Fraction(9, 10**6))
    second = Step(factor=Fraction(5), relative_variance=Fraction(16, 10**6))
    got = total_factor([first, second])
    assert [str(got.factor), str(got.relative_u), str(got.u)] == ["50", "0.005", "0.25"]


def test_undiluted_sample_has_factor_one_and_no_uncertainty() -> None:
    got = total_factor([])
    assert [str(got.factor), str(got.relative_u), str(got.u)] == ["1", "0", "0"]


def test_uncertainty_agrees_with_simulated_glassware() -> None:
    """A million dilutions with triangular errors scatter as computed, within 1 %."""
    random = np.random.default_rng(7)
    size = 1_000_000
    aliquot = random.triangular(0.95, 1, 1.05, size)
    diluent = random.triangular(3.9, 4, 4.1, size)
    flask = random.triangular(24.8, 25, 25.2, size)
    portion = random.triangular(4.97, 5, 5.03, size)
    steps = [
        added(
            Volume(ml=1, tolerance_ml=Decimal("0.05")), Volume(ml=4, tolerance_ml=Decimal("0.1"))
        ),
        made_up(
            Volume(ml=5, tolerance_ml=Decimal("0.03")), Volume(ml=25, tolerance_ml=Decimal("0.2"))
        ),
    ]
    simulated = (aliquot + diluent) / aliquot * flask / portion
    got = total_factor(steps)
    assert got.factor == 25
    assert float(got.u) == pytest.approx(simulated.std(), rel=0.01)


def test_flask_smaller_than_the_aliquot_is_refused() -> None:
    with pytest.raises(ValueError, match="were the two exchanged"):
        made_up(Volume(ml=100, tolerance_ml=0), Volume(ml=10, tolerance_ml=0))


def test_impossible_volumes_are_refused() -> None:
    with pytest.raises(ValueError, match="volume 0 mL"):
        Volume(ml=0, tolerance_ml=0)
    with pytest.raises(ValueError, match="tolerance -1 mL"):
        Volume(ml=1, tolerance_ml=-1)
    with pytest.raises(ValueError, match="use triangular or rectangular"):
        Volume(ml=1, tolerance_ml=1, shape=cast("Shape", "round"))
