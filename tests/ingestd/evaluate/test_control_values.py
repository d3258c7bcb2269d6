"""The control values of a judged run: which tubes give one, and what goes with it."""

from dataclasses import replace
from decimal import Decimal

from ingestd.evaluate import evaluate
from ingestd.evaluate.control_values import ControlValue, control_values
from ingestd.model import Role, RunFacts
from tests.ingestd.evaluate.bench_day import (
    COD,
    GOOD,
    READ,
    RUN,
    SHOWN,
    STANDARD,
    TUBES,
    day,
    diluted,
    note,
    reading,
    readings,
    tube,
    with_notes,
    with_reading,
)


def values(facts: RunFacts) -> dict[int, ControlValue]:
    found = control_values(facts, evaluate(facts))
    assert [v.position for v in found] == sorted(v.position for v in found)
    return {v.position: v for v in found}


def test_blank_control_standard_and_duplicate_of_a_good_day_give_one_each() -> None:
    found = values(GOOD)
    assert {p: (v.role, v.value) for p, v in found.items()} == {
        1: (Role.BLANK, Decimal(1)),
        2: (Role.CONTROL_STANDARD, Decimal(503)),
        6: (Role.DUPLICATE, Decimal(64)),
    }
    standard = found[2]
    assert (standard.level, standard.instrument, standard.lot) == ("S77", "meter-1", "K2601")
    assert standard.at == GOOD.readings[2][0].measured_at
    assert standard.at > READ
    assert all(v.passed for v in found.values())


def test_nominal_is_of_the_standard_as_prepared_in_the_methods_unit() -> None:
    thrice = replace(STANDARD, value=Decimal("1.5"), unit="g/L", preparation_factor=Decimal(3))
    assert values(day(standards={"S77": thrice}))[2].nominal == Decimal(500)
    assert {p: v.nominal for p, v in values(GOOD).items()} == {1: None, 2: Decimal(500), 6: None}


def test_nominal_of_an_unknown_or_inconvertible_standard_is_left_out() -> None:
    assert values(day(standards={}))[2].nominal is None
    wrong = values(day(standards={"S77": replace(STANDARD, basis="N")}))[2]
    assert wrong.nominal is None
    assert not wrong.passed


def test_partner_is_the_sample_tube_of_the_same_sample() -> None:
    spike = tube(7, Role.SPIKE, "s", sample="W-102", spike_added=Decimal(200))
    facts = day(run=replace(RUN, tubes=(spike, *TUBES)), readings=readings({**SHOWN, 7: "1480"}))
    found = values(facts)
    assert {p: v.partner for p, v in found.items()} == {
        1: None,
        2: None,
        6: Decimal(62),
        7: Decimal(1480),
    }
    assert found[7].role is Role.SPIKE


def test_partner_that_is_void_unread_or_not_planned_is_none() -> None:
    assert values(day(observations=with_notes(note("void", "spilt", 5))))[6].partner is None
    unread = {p: t for p, t in SHOWN.items() if p != 5}
    assert values(day(readings=readings(unread)))[6].partner is None
    alone = replace(RUN, tubes=tuple(t for t in TUBES if t.position != 5))
    assert values(day(run=alone))[6].partner is None


def test_void_and_unread_controls_give_none() -> None:
    assert set(values(day(observations=with_notes(note("void", "broken", 2))))) == {1, 6}
    unread = {p: t for p, t in SHOWN.items() if p != 1}
    assert set(values(day(readings=readings(unread)))) == {2, 6}


def test_control_between_two_readings_gives_none_until_a_person_chooses() -> None:
    two = with_reading(2, reading(2, "503"), reading(2, "380", id=202))
    facts = day(readings=two)
    chosen = replace(facts, observations=with_notes(note("use_reading", "202", 2)))
    assert 2 not in values(facts)
    chosen_value = values(chosen)[2]
    assert (chosen_value.value, chosen_value.passed) == (Decimal(380), False)


def test_control_that_a_rule_holds_did_not_pass() -> None:
    shown = readings({**SHOWN, 1: "16", 2: "400", 6: "90"})
    assert {p: v.passed for p, v in values(day(readings=shown)).items()} == {
        1: False,
        2: False,
        6: False,
    }
    caution = values(day(readings=readings({**SHOWN, 6: "71"})))
    assert caution[6].passed


def test_value_is_diluted_back_and_unrounded() -> None:
    method = replace(COD, needs=COD.needs[:2])
    again = tube(7, Role.DUPLICATE, "d", sample="W-102", dilution=diluted("2.5"))
    run = replace(RUN, tubes=(*TUBES, again))
    facts = day(method=method, run=run, readings=readings({**SHOWN, 7: "591"}))
    assert values(facts)[7].value == Decimal("1477.5")
