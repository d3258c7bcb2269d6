"""What must hold of every run, tried on runs nobody thought of."""

import random
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.evaluate import evaluate
from ingestd.evaluate.placing import Candidate, Placed, TubeIndex
from ingestd.evaluate.rounding import round_to
from ingestd.model import (
    ControlPoint,
    Observation,
    Role,
    RunFacts,
    SampleValue,
    State,
    StoredReading,
    Verdict,
)
from tests.ingestd.evaluate.bench_day import (
    COD,
    DIGESTED,
    GOOD,
    LOT,
    NOTES,
    READ,
    RUN,
    START,
    TUBES,
    diluted,
    note,
    reading,
    readings,
    result_of,
    sample,
    tube,
    with_tube,
)

digits = st.decimals(min_value=-20, max_value=1700, places=1, allow_nan=False).map(
    lambda d: f"{d:f}"
)
shown = st.one_of(
    digits.filter(lambda t: not t.startswith("-0")),
    st.sampled_from(["<", ">", "<15", ">1500", "<40", ">900"]),
)
positions = st.sampled_from([1, 2, 3, 4, 5, 6])
keys = st.sampled_from(
    [
        ("turbidity", "clear"),
        ("turbidity", "turbid"),
        ("turbidity", "7"),
        ("chloride", "2500"),
        ("void", "dropped"),
        ("dilution", "5"),
        ("lot", "K9"),
        ("homogenised", "no"),
        ("digestion_end", DIGESTED.isoformat()),
        ("digestion_end", "nonsense"),
        ("block_temperature", "140"),
        ("use_reading", "103"),
        ("closed", "enough"),
        ("zeroing", "on water"),
    ]
)


@st.composite
def days(draw: st.DrawFn) -> RunFacts:
    """Facts of a run as a bad week might leave them."""
    placed: dict[int, tuple[StoredReading, ...]] = {}
    for position in TUBES:
        texts = draw(st.lists(shown, max_size=2))
        if texts:
            placed[position.position] = tuple(
                reading(
                    position.position,
                    text,
                    id=100 * (n + 1) + position.position,
                    dilution=draw(st.sampled_from([None, Decimal(1), Decimal(10)])),
                    dilution_applied=draw(st.sampled_from([False, False, None, True])),
                    unit=draw(st.sampled_from(["mg/L", "mg/L", "g/L", None])),
                    time_note=draw(st.sampled_from(["", "", "missing", "ambiguous"])),
                    measured_at=READ + timedelta(minutes=draw(st.integers(-60, 300))),
                    conflict=draw(st.sampled_from([False, False, False, True])),
                )
                for n, text in enumerate(texts)
            )
    notes = [
        note(key, value, draw(st.none() | positions), number=50 + n)
        for n, (key, value) in enumerate(draw(st.lists(keys, max_size=5)))
    ]
    method = replace(
        COD,
        combine=draw(st.sampled_from(["mean", "first"])),
        blank_in_instrument=draw(st.booleans()),
        quantification_limit=draw(st.sampled_from([None, Decimal(25)])),
        below_is=draw(st.sampled_from(["range", "quantification"])),
        rounding=draw(st.sampled_from([(), COD.rounding])),
    )
    matrix = draw(st.sampled_from(["", "saline", "waste water"]))
    return replace(
        GOOD,
        method=method,
        readings=placed,
        observations=(*NOTES, *notes),
        samples={c: sample(c, matrix=matrix) for c in ("W-101", "W-102", "W-103")},
        lot_use={"K2601": draw(st.sampled_from([6, 200]))},
    )


def shuffled(facts: RunFacts, seed: int) -> RunFacts:
    chance = random.Random(seed)

    def mixed(items: Any) -> tuple[Any, ...]:
        listed = list(items)
        chance.shuffle(listed)
        return tuple(listed)

    return replace(
        facts,
        run=replace(facts.run, tubes=mixed(facts.run.tubes)),
        readings={p: mixed(facts.readings[p]) for p in mixed(facts.readings)},
        observations=mixed(facts.observations),
        lots={k: facts.lots[k] for k in mixed(facts.lots)},
        samples={k: facts.samples[k] for k in mixed(facts.samples)},
        control_history=mixed(facts.control_history),
        companions=mixed(facts.companions),
        point_history=mixed(facts.point_history),
        controls_elsewhere=mixed(facts.controls_elsewhere),
    )


@settings(max_examples=60, deadline=None)
@given(days(), st.integers(0, 10**6))
def test_outcome_does_not_depend_on_the_order_of_arrival(facts: RunFacts, seed: int) -> None:
    assert evaluate(shuffled(facts, seed)) == evaluate(facts)


def test_outcome_with_history_does_not_depend_on_its_order() -> None:
    chance = random.Random(7)
    history = tuple(
        ControlPoint(
            run=f"R-{n}",
            position=2,
            role=role,
            at=START - timedelta(days=n + 1),
            instrument="meter-1",
            value=Decimal(chance.randint(480, 520)),
            nominal=Decimal(500) if role is Role.CONTROL_STANDARD else None,
            partner=None if role is Role.CONTROL_STANDARD else Decimal(chance.randint(480, 520)),
        )
        for n in range(20)
        for role in (Role.CONTROL_STANDARD, Role.DUPLICATE)
    )
    past = tuple(
        SampleValue(
            sample=f"V-{n}", analyte="COD", fraction="total", basis="O2", unit="mg/L",
            value=Decimal(chance.randint(300, 500)), censored="", uncertainty=None,
            at=START - timedelta(days=n + 1), point="inlet",
        )
        for n in range(30)
    )  # fmt: skip
    facts = replace(GOOD, control_history=history, point_history=past)
    want = evaluate(facts)
    assert all(evaluate(shuffled(facts, seed)) == want for seed in range(5))


@settings(max_examples=60, deadline=None)
@given(days())
def test_facts_of_other_runs_and_samples_change_nothing(facts: RunFacts) -> None:
    stranger = Observation(
        id=999, run="R-1", position=77, key="void", value="of no tube", at=READ, by="meera"
    )
    richer = replace(
        facts,
        readings={**facts.readings, 77: (reading(77, "1000"),)},
        observations=(*facts.observations, stranger),
        lots={**facts.lots, "K-other": replace(LOT, lot="K-other", method="nh4")},
        samples={**facts.samples, "W-999": sample("W-999", matrix="saline")},
        lot_use={**facts.lot_use, "K-other": 10**6},
    )
    assert evaluate(richer) == evaluate(facts)


@settings(max_examples=80, deadline=None)
@given(days())
def test_state_follows_from_findings_and_nothing_blocked_is_accepted(facts: RunFacts) -> None:
    outcome = evaluate(facts)
    for result in outcome.results:
        verdicts = {f.verdict for f in result.findings}
        if Verdict.REFUSE in verdicts:
            assert result.state is State.REFUSED
        elif Verdict.HOLD in verdicts:
            assert result.state is State.HELD
        else:
            assert result.state is (State.ACCEPTED if outcome.complete else State.AWAITING)
        if result.state is State.ACCEPTED:
            assert result.value is not None
            assert result.text
            assert result.censored != ">"
        for tube_outcome in outcome.tubes:
            if tube_outcome.position in result.tubes and any(
                f.verdict is Verdict.REFUSE for f in tube_outcome.findings
            ):
                assert result.state is State.REFUSED


@settings(max_examples=80, deadline=None)
@given(days(), st.lists(keys, max_size=3), positions)
def test_no_note_but_void_or_another_look_lifts_a_refusal_for_turbidity(
    facts: RunFacts, more: list[tuple[str, str]], position: int
) -> None:
    turbid = [note("turbidity", "turbid", p, number=900 + p) for p in range(1, 7)]
    others = [
        note(key, value, position, number=1000 + n)
        for n, (key, value) in enumerate(more)
        if key not in {"turbidity", "void", "use_reading"}
    ]
    facts = replace(facts, observations=(*facts.observations, *turbid, *others))
    outcome = evaluate(facts)
    read = {t.position for t in outcome.tubes if t.reading is not None and not t.void}
    for result in outcome.results:
        if set(result.tubes) & read:
            assert result.state is State.REFUSED


@settings(max_examples=100, deadline=None)
@given(
    st.decimals(min_value=15, max_value=1500, places=2),
    st.decimals(min_value=1, max_value=100, places=1),
    st.sampled_from(["0.01", "0.1", "1", "10", "50"]),
)
def test_dilution_commutes_with_rounding_done_once(
    value: Decimal, factor: Decimal, step: str
) -> None:
    """The printed value times the factor, rounded one time from the exact product."""
    method = replace(COD, rounding=(replace(COD.rounding[0], below=None, to=Decimal(step)),))
    by_us = replace(
        GOOD,
        method=method,
        run=with_tube(3, dilution=diluted(f"{factor:f}")),
        readings={**readings(), 3: (reading(3, f"{value:f}"),)},
    )
    want = round_to(Fraction(value) * Fraction(factor), Decimal(step))
    result = result_of(evaluate(by_us), "W-101")
    assert result.value == want
    # The same tube on an instrument that has multiplied already, with every digit printed.
    applied = reading(3, f"{value * factor:f}", dilution=factor, dilution_applied=True)
    by_instrument = replace(by_us, readings={**readings(), 3: (applied,)})
    assert result_of(evaluate(by_instrument), "W-101").value == want


@settings(max_examples=60, deadline=None)
@given(st.decimals(min_value=15, max_value=1500, places=2), st.sampled_from([1, 2, 10]))
def test_units_commute_with_rounding_done_once(value: Decimal, factor: int) -> None:
    run = with_tube(3, dilution=diluted(str(factor)))
    milli = replace(GOOD, run=run, readings={**readings(), 3: (reading(3, f"{value:f}"),)})
    in_grams = reading(3, f"{value.scaleb(-3):f}", unit="g/L")
    grams = replace(milli, readings={**readings(), 3: (in_grams,)})
    one, other = (result_of(evaluate(f), "W-101") for f in (milli, grams))
    assert (one.text, one.value, one.state) == (other.text, other.value, other.state)


@settings(max_examples=60, deadline=None)
@given(days())
def test_voiding_every_tube_leaves_nothing_to_release(facts: RunFacts) -> None:
    void = [note("void", "all spoilt", p, number=2000 + p) for p in range(1, 7)]
    outcome = evaluate(replace(facts, observations=(*facts.observations, *void)))
    assert {r.state for r in outcome.results} <= {State.REFUSED}
    assert all(r.value is None for r in outcome.results)


@given(st.permutations(range(20)), st.integers(0, 19))
def test_placing_does_not_depend_on_the_order_of_candidates(order: list[int], wanted: int) -> None:
    tubes = [tube(p + 1, Role.SAMPLE, f"W-{p}") for p in range(20)]
    run = replace(RUN, tubes=tuple(tubes))
    index = TubeIndex(
        Candidate(run=run, tube=tubes[p], method=COD, ready_at=DIGESTED) for p in order
    )
    found = index.place(replace(reading(3, "407"), sample=f"w-{wanted}"))
    assert isinstance(found, Placed)
    assert found.position == wanted + 1


def test_the_good_day_stays_good_when_read_in_any_order() -> None:
    for seed in range(20):
        results = evaluate(shuffled(GOOD, seed)).results
        assert sorted((r.sample, r.text) for r in results) == [
            ("W-101", "407"),
            ("W-102", "1480"),
            ("W-103", "63"),
        ]
