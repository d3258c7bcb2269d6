"""Whole runs whose results carry the uncertainty of their dilution, on worked figures.

The history is made so that the laboratory's own uncertainty is 2 %: control standards without
scatter or bias, and duplicates whose mean relative range is 1.128 %, the d2 of pairs.
"""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from ingestd.evaluate import evaluate
from ingestd.evaluate.explain import explain
from ingestd.evaluate.uncertainty.bias_and_scatter import relative_of_product, root_sum_of_squares
from ingestd.model import ControlPoint, DilutionStep, Role, RoundingStep, RunFacts
from ingestd.plan.dilution import parse_dilution
from tests.ingestd.evaluate.bench_day import (
    COD,
    METER,
    NOTES,
    STANDARD,
    START,
    TUBES,
    day,
    note,
    reading,
    readings,
    result_of,
    sample,
    with_notes,
    with_reading,
    with_tube,
)
from tests.ingestd.evaluate.published import Check, checks


def control(number: int, role: Role, value: str, other: str) -> ControlPoint:
    is_pair = role is Role.DUPLICATE
    return ControlPoint(
        run=f"R-0{number}",
        position=2,
        role=role,
        at=START,
        instrument=METER.name,
        value=Decimal(value),
        nominal=None if is_pair else Decimal(other),
        partner=Decimal(other) if is_pair else None,
    )


HISTORY = tuple(
    point
    for n in range(8)
    for point in (
        control(n, Role.CONTROL_STANDARD, "500", "500"),
        control(n, Role.DUPLICATE, "100.564", "99.436"),
    )
)


def made_up(name: str, factor: str, aliquot: str, flask: str, **changes: Any) -> DilutionStep:
    """A step from `volume tolerance` of aliquot and flask."""
    portion, whole = aliquot.split(), flask.split()
    return replace(
        DilutionStep(
            name=name,
            factor=Decimal(factor),
            aliquot_ml=Decimal(portion[0]),
            aliquot_tolerance_ml=Decimal(portion[1]),
            flask_ml=Decimal(whole[0]),
            flask_tolerance_ml=Decimal(whole[1]),
        ),
        **changes,
    )


def as_added(step: DilutionStep) -> DilutionStep:
    """The same step with its second volume added instead of made up to."""
    return replace(
        step,
        flask_ml=None,
        flask_tolerance_ml=None,
        diluent_ml=step.flask_ml,
        diluent_tolerance_ml=step.flask_tolerance_ml,
    )


TEN = made_up("ten", "10", "10 0.03", "100 0.1")
FIVE = made_up("five", "5", "5 0.03", "25 0.04")
FINE = replace(COD, rounding=(RoundingStep(to=Decimal("0.000001")),))


def known(*steps: DilutionStep, dilution: str = "1+9", **changes: Any) -> RunFacts:
    """The good day with a history, its W-102 diluted so, and these steps on record."""
    facts: dict[str, Any] = {
        "method": FINE,
        "run": with_tube(4, dilution=parse_dilution(dilution)),
        "control_history": HISTORY,
        "standards": {"S77": replace(STANDARD, expanded_uncertainty=Decimal(0))},
        "dilution_steps": steps,
    }
    return day(**{**facts, **changes})


def percent_of(facts: RunFacts, code: str = "W-102") -> Decimal:
    """The stated uncertainty, percent of the stated value, to the six decimals it is known to."""
    result = result_of(evaluate(facts), code)
    percent: Decimal = round(100 * result.uncertainty / result.value, 6)
    return percent


def step_about(facts: RunFacts, words: str, code: str = "W-102") -> str:
    (step,) = [one for one in result_of(evaluate(facts), code).steps if words in one]
    return str(step)


def widened(*relative: Decimal) -> Decimal:
    """2 % and these relative standard uncertainties, by the exact functions of `uncertainty`."""
    half = root_sum_of_squares([Decimal(1), *(100 * one for one in relative)])
    return round(2 * half, 6)


U_TEN = (
    relative_of_product([(Decimal(10), Decimal("0.03")), (Decimal(100), Decimal("0.1"))])
    / Decimal(6).sqrt()
)
U_FIVE = (
    relative_of_product([(Decimal(5), Decimal("0.03")), (Decimal(25), Decimal("0.04"))])
    / Decimal(6).sqrt()
)


@pytest.mark.parametrize("row", checks("dilution", "expanded"), ids=str)
def test_result_of_a_diluted_tube_has_the_uncertainty_worked_by_hand(row: Check) -> None:
    (ml, tolerance), is_added = row.inputs["aliquot"].split(), "added" in row.inputs
    second = row.inputs["added" if is_added else "flask"]
    factor = Fraction(second.split()[0]) / Fraction(ml) + is_added
    step = made_up("way", str(factor), f"{ml} {tolerance}", second)
    facts = known(as_added(step) if is_added else step, dilution=f"x{factor}")
    row.agrees(percent_of(facts))


def test_derivation_says_both_contributions_and_the_glassware() -> None:
    result = result_of(evaluate(known(TEN)), "W-102")
    lines = explain(result)
    at = lines.index(
        "With the dilution it is 2 x root(1^2 + 0.1291^2) = 2.017 %: 1 % by the laboratory's own "
        "controls, 0.1291 % by glassware, ten (factor 10): 10 ± 0.03 mL made up to 100 ± 0.1 mL, "
        "triangular."
    )
    assert lines[at - 1].startswith("Expanded uncertainty (k = 2) 2.0 %")
    assert lines[at + 1] == "± 29.845647 mg/L on 1480."
    assert lines[0] == "Sample W-102: COD, total, as O2 is 1480.000000 ± 29.845647 mg/L."


def test_diluent_that_was_added_is_said_to_be_added() -> None:
    step = as_added(made_up("drops", "10", "1 0.01", "9 0.05", shape="rectangular"))
    said = step_about(known(step), "With the dilution")
    assert "drops (factor 10): 1 ± 0.01 mL and 9 ± 0.05 mL of diluent, rectangular." in said


def test_undiluted_results_are_the_same_whatever_dilution_steps_are_on_record() -> None:
    without, with_steps = evaluate(known()), evaluate(known(TEN, FIVE))
    for code in ("W-101", "W-103"):
        assert result_of(without, code) == result_of(with_steps, code)
        assert not [s for s in result_of(without, code).steps if "dilution" in s]
    assert percent_of(known(TEN), "W-101") == 2


def test_dilution_that_is_not_on_record_is_said_to_be_missing_from_the_figure() -> None:
    facts = known(FIVE)
    assert percent_of(facts) == 2
    assert step_about(facts, "not on record") == (
        "The dilution's own uncertainty is not on record and not in the figure: the plan has no "
        "dilution step of factor 10."
    )
    assert (
        result_of(evaluate(facts), "W-102").findings
        == result_of(evaluate(known(TEN)), "W-102").findings
    )


def test_one_step_of_two_on_record_is_not_enough() -> None:
    facts = known(TEN, dilution="1+9 then 1+3")
    assert percent_of(facts) == 2
    assert "no dilution step of factor 4." in step_about(facts, "not on record")


def test_steps_of_one_dilution_add_in_squares() -> None:
    facts = known(TEN, FIVE, dilution="1+9 then 1+4")
    assert percent_of(facts) == widened(U_TEN, U_FIVE)
    assert ", then five (factor 5): " in step_about(facts, "With the dilution")


def test_same_step_twice_counts_twice() -> None:
    assert percent_of(known(TEN, dilution="x10 then x10")) == widened(U_TEN, U_TEN)


def test_step_that_does_not_dilute_needs_no_glassware() -> None:
    assert percent_of(known(TEN, dilution="1+9 then 1+0")) == widened(U_TEN)


def test_total_without_steps_is_one_step() -> None:
    fifty = replace(parse_dilution("x10"), text="10", steps=())
    assert percent_of(known(TEN, run=with_tube(4, dilution=fifty))) == widened(U_TEN)


def test_dilution_corrected_at_the_bench_counts_as_corrected() -> None:
    notes = with_notes(note("dilution", "5", 4, number=9))
    assert percent_of(known(TEN, FIVE, observations=notes)) == widened(U_FIVE)
    undone = with_notes(note("dilution", "1", 4, number=9))
    facts = known(TEN, FIVE, observations=undone)
    assert percent_of(facts) == 2
    assert not [s for s in result_of(evaluate(facts), "W-102").steps if "ilution" in s]
    thinned = with_notes(note("dilution", "10 then 5", 3, number=9))
    assert percent_of(known(TEN, FIVE, observations=thinned), "W-101") == widened(U_TEN, U_FIVE)


def test_dilution_that_the_instrument_applied_is_as_uncertain() -> None:
    applied = reading(4, "1480", dilution=Decimal(10), dilution_applied=True)
    facts = known(TEN, readings=with_reading(4, applied))
    assert percent_of(facts) == widened(U_TEN)


def test_of_several_ways_on_record_the_least_certain_counts_in_any_order() -> None:
    rough = as_added(made_up("rough", "10", "1 0.05", "9 0.2"))
    one, other = known(TEN, rough), known(rough, TEN)
    assert evaluate(one) == evaluate(other)
    assert percent_of(one) == percent_of(known(rough)) > percent_of(known(TEN))
    assert "rough (factor 10)" in step_about(one, "With the dilution")
    assert "(the least certain of 2 ways on record)" in step_about(one, "With the dilution")


def of_two_tubes(first: str, second: str, *steps: DilutionStep) -> RunFacts:
    """W-103 and its duplicate, diluted so; near 620 mg/L in the sample either way."""
    dilutions = {5: parse_dilution(first), 6: parse_dilution(second)}
    tubes = tuple(replace(t, dilution=dilutions.get(t.position, t.dilution)) for t in TUBES)
    shown = {
        position: (reading(position, str(620 / dilution.factor)),)
        for position, dilution in dilutions.items()
    }
    return known(
        *steps,
        run=replace(with_tube(1), tubes=tubes),
        readings=readings() | shown,
        observations=NOTES,
        samples={code: sample(code) for code in ("W-101", "W-102", "W-103")},
    )


def test_of_several_tubes_the_largest_dilution_variance_counts_whole() -> None:
    assert U_FIVE > U_TEN
    facts = of_two_tubes("1+4", "1+9", TEN, FIVE)
    assert result_of(evaluate(facts), "W-103").value == 620
    assert percent_of(facts, "W-103") == widened(U_FIVE)
    said = step_about(facts, "With the dilution", "W-103")
    assert "of 2 diluted tubes the least certain dilution counts" in said
    assert percent_of(of_two_tubes("1+9", "1", TEN), "W-103") == widened(U_TEN)


def test_tube_of_several_whose_dilution_is_unknown_keeps_it_out_of_the_figure() -> None:
    facts = of_two_tubes("1+4", "1+9", TEN)
    assert percent_of(facts, "W-103") == 2
    assert "no dilution step of factor 5." in step_about(facts, "not on record", "W-103")


def test_without_a_figure_of_the_laboratory_nothing_is_said_of_the_dilution() -> None:
    short = HISTORY[:4]
    without = evaluate(known(control_history=short))
    assert without == evaluate(known(TEN, control_history=short))
    assert result_of(without, "W-102").uncertainty is None
