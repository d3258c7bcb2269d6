"""A control tube with several readings, none chosen, is in doubt and holds its run.

What is asked: that a hold stands where a person has not yet said which reading of a control
counts. Source: "No guess. What cannot be placed with certainty waits for a person", the
laboratory's own rule; common practice, no source.
"""

from dataclasses import replace
from decimal import Decimal

import pytest

from ingestd.evaluate import evaluate
from ingestd.model import Role, State, StoredReading
from tests.ingestd.evaluate.bench_day import (
    RUN,
    SHOWN,
    TUBES,
    day,
    findings_of,
    note,
    reading,
    readings,
    result_of,
    tube,
    with_notes,
    with_reading,
)

BLANK, STANDARD, DUPLICATE = 1, 2, 6
RULES = {BLANK: "blank", STANDARD: "control_standard", DUPLICATE: "duplicate"}


def twice(position: int) -> tuple[StoredReading, StoredReading]:
    return reading(position, SHOWN[position]), reading(position, "7", id=77)


@pytest.mark.parametrize("position", RULES)
def test_control_read_twice_holds_the_whole_run_until_one_is_chosen(position: int) -> None:
    outcome = evaluate(day(readings=with_reading(position, *twice(position))))
    held = [f for f in findings_of(outcome, RULES[position]) if f.verdict == "hold"]
    assert held
    assert held[0].position == position
    assert {r.state for r in outcome.results} == {State.HELD}


@pytest.mark.parametrize("position", RULES)
def test_control_read_twice_counts_again_once_a_person_has_chosen(position: int) -> None:
    facts = day(
        readings=with_reading(position, *twice(position)),
        observations=with_notes(note("use_reading", str(100 + position), position)),
    )
    assert State.HELD not in {r.state for r in evaluate(facts).results}


def test_spike_read_twice_holds_its_own_sample_only() -> None:
    spike = tube(7, Role.SPIKE, "W-101 s", sample="W-101", spike_added=Decimal(200))
    found = readings({**SHOWN, 7: "420"})
    found[7] = (*found[7], reading(7, "500", id=77))
    outcome = evaluate(day(run=replace(RUN, tubes=(*TUBES, spike)), readings=found))
    assert result_of(outcome, "W-101").state is State.HELD
    assert result_of(outcome, "W-102").state is not State.HELD
