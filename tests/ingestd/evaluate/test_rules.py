"""Every rule on days that are good but for one fact; cases and sources in `spoiled_days`."""

from decimal import Decimal, localcontext
from functools import cache

import pytest

from ingestd.evaluate import RULES, evaluate
from ingestd.evaluate.uncertainty.own_controls import UNCERTAINTY
from ingestd.model import RunOutcome, State, Verdict
from tests.ingestd.evaluate.bench_day import COD, GOOD, SITE, findings_of, worst
from tests.ingestd.evaluate.spoiled_days import DAYS, Day


@cache
def outcomes() -> dict[str, RunOutcome]:
    """The judgement of every day, by the day's name."""
    return {str(day): evaluate(day.facts) for day in DAYS}


@pytest.mark.parametrize("spoiled", DAYS, ids=str)
def test_spoiled_fact_gets_the_answer_of_its_rule(spoiled: Day) -> None:
    found = findings_of(outcomes()[str(spoiled)], spoiled.rule)
    assert worst(found) is spoiled.verdict, [f.sentence for f in found]
    said = [f.sentence for f in found if f.verdict is spoiled.verdict]
    assert any(spoiled.says in sentence for sentence in said), said


def test_good_day_has_nothing_but_passes() -> None:
    outcome = evaluate(GOOD)
    assert outcome.complete
    assert [(r.text, r.state) for r in outcome.results] == [
        ("407", State.ACCEPTED),
        ("1480", State.ACCEPTED),
        ("63", State.ACCEPTED),
    ]
    assert {f.verdict for r in outcome.results for f in r.findings} == {Verdict.PASS}


def test_every_finding_is_of_a_registered_rule_and_a_declared_case() -> None:
    for outcome in outcomes().values():
        for group in (
            outcome.findings,
            *(t.findings for t in outcome.tubes),
            *(r.findings for r in outcome.results),
        ):
            for finding in group:
                rule = RULES[finding.rule]
                assert finding.version == rule.version
                assert finding.verdict in {v for _, v in rule.outcomes}, finding
                assert not finding.sentence[0].islower(), finding.sentence
                assert finding.sentence.endswith("."), finding.sentence


def test_every_blocking_case_a_rule_declares_is_met_by_some_day() -> None:
    met = {(d.rule, d.verdict) for d in DAYS}
    for rule in RULES.values():
        for case, verdict in rule.outcomes:
            if verdict is not Verdict.PASS:
                assert (rule.name, verdict) in met, f"{rule.name}: {case}"


def test_every_rule_states_question_formula_cases_and_source() -> None:
    for rule in RULES.values():
        assert rule.question.endswith("?")
        assert rule.formula
        assert rule.source
        assert rule.outcomes
        for name, value in rule.parameters(COD, SITE):
            assert name
            assert value
    assert UNCERTAINTY.name in RULES


def test_names_of_days_are_unique() -> None:
    assert len(outcomes()) == len(DAYS)


@pytest.mark.parametrize("spoiled", DAYS, ids=str)
def test_held_and_refused_days_block_the_sample_concerned(spoiled: Day) -> None:
    outcome = outcomes()[str(spoiled)]
    for result in outcome.results:
        verdicts = {f.verdict for f in result.findings}
        if Verdict.REFUSE in verdicts:
            assert result.state is State.REFUSED
        elif Verdict.HOLD in verdicts:
            assert result.state is State.HELD
        else:
            assert result.state in {State.ACCEPTED, State.AWAITING}


def test_outcome_does_not_depend_on_the_callers_decimal_context() -> None:
    for name, day in ((str(d), d) for d in DAYS):
        with localcontext(prec=3):
            assert evaluate(day.facts) == outcomes()[name], name
    assert Decimal(1) / 3  # the caller's own context is as it was
