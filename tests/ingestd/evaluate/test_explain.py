from dataclasses import replace
from decimal import Decimal

from ingestd.evaluate import evaluate, explain
from ingestd.model import State
from tests.ingestd.evaluate.bench_day import (
    GOOD,
    day,
    note,
    result_of,
    with_notes,
    with_reading,
    with_tube,
)


def test_explanation_goes_from_the_display_to_the_state() -> None:
    told = explain(result_of(evaluate(GOOD), "W-102"))
    assert told[0] == "Sample W-102: COD, total, as O2 is 1480 mg/L."
    assert told[1] == "Reading 104 of meter-1 shows 148 mg/L."
    assert told[2] == "Times the dilution factor 10: 1480 mg/L in the sample."
    assert "Rounded once to a multiple of 10: 1480 mg/L." in told
    assert told[-1].startswith("No rule objects")
    assert all(sentence.endswith((".", "]")) for sentence in told)


def test_explanation_of_a_refusal_names_rule_source_and_remedy() -> None:
    outcome = evaluate(day(observations=with_notes(note("turbidity", "turbid", 3))))
    told = explain(result_of(outcome, "W-101"))
    refused = [s for s in told if s.startswith("Refused by tube_clear (version 1):")]
    assert len(refused) == 1
    assert "read it again" in refused[0]
    assert refused[0].endswith("[common practice, no source]")
    assert "can never be released" in told[-1]


def test_explanation_of_what_waits_names_what_is_missing() -> None:
    facts = day(readings=with_reading(3))
    outcome = evaluate(facts)
    told = explain(result_of(outcome, "W-101"), outcome.missing)
    assert told[0].endswith("has no value.")
    assert "Still missing: the reading of tube 3 (W-101)." in told
    assert "nothing is decided" in told[-1]


def test_explanation_states_uncertainty_repeat_and_later_states() -> None:
    result = result_of(evaluate(day(run=with_tube(3, repeats="R-0 W-101, over range"))), "W-101")
    told = explain(replace(result, uncertainty=Decimal(20), state=State.RELEASED, basis=""))
    assert told[0] == "Sample W-101: COD, total is 407 ± 20 mg/L."
    assert told[1] == "It repeats: R-0 W-101, over range."
    assert told[-1] == "It is released."


def test_every_step_of_a_blank_and_colour_correction_is_told() -> None:
    facts = day(method=replace(GOOD.method, blank_in_instrument=False))
    told = " ".join(explain(result_of(evaluate(facts), "W-101")))
    assert "Less the blank of 1 mg/L in the tube: 406 mg/L in the sample." in told
