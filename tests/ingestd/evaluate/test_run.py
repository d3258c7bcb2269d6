"""The run as a whole: completeness, states, means, rounding, what each result carries."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from ingestd.evaluate import evaluate
from ingestd.model import (
    ControlElsewhere,
    ControlNeed,
    Role,
    RoundingStep,
    Run,
    SitePolicy,
    State,
    Verdict,
)
from tests.ingestd.evaluate.bench_day import (
    COD,
    GOOD,
    LOT,
    RUN,
    SHOWN,
    START,
    TUBES,
    day,
    diluted,
    note,
    reading,
    readings,
    result_of,
    tube,
    with_notes,
    with_reading,
    with_tube,
)
from tests.ingestd.evaluate.published import checks


def without(*positions: int) -> dict[int, str]:
    return {p: text for p, text in SHOWN.items() if p not in positions}


# --- completeness ----------------------------------------------------------------------------


def test_unread_tube_leaves_every_result_awaiting_and_is_named() -> None:
    outcome = evaluate(day(readings=readings(without(3))))
    assert not outcome.complete
    assert outcome.missing == ("the reading of tube 3 (W-101)",)
    assert {r.state for r in outcome.results} == {State.AWAITING}
    assert result_of(outcome, "W-101").value is None
    assert result_of(outcome, "W-102").text == "1480"


def test_refused_and_held_come_before_awaiting() -> None:
    notes = with_notes(note("turbidity", "turbid", 4))
    outcome = evaluate(day(readings=readings(without(3)), observations=notes))
    assert result_of(outcome, "W-102").state is State.REFUSED
    assert result_of(outcome, "W-103").state is State.AWAITING


def test_unread_control_is_missing_and_not_a_hold() -> None:
    outcome = evaluate(day(readings=readings(without(1, 2, 6))))
    assert not outcome.complete
    assert len(outcome.missing) == 3
    assert {r.state for r in outcome.results} == {State.AWAITING}


def test_control_that_is_not_even_planned_is_missing() -> None:
    run = replace(RUN, tubes=TUBES[2:5])
    outcome = evaluate(day(run=run, readings=readings(without(1, 2, 6))))
    assert outcome.missing == (
        "a blank per run",
        "a control standard per run",
        "a duplicate for every 20 sample tubes (3 sample tubes need 1, 0 read)",
    )


def test_void_tube_is_not_waited_for() -> None:
    outcome = evaluate(
        day(readings=readings(without(3)), observations=with_notes(note("void", "broken", 3)))
    )
    assert outcome.complete
    assert outcome.tubes[2].void
    assert result_of(outcome, "W-101").state is State.REFUSED
    assert result_of(outcome, "W-102").state is State.ACCEPTED


def test_void_control_is_missing_again() -> None:
    outcome = evaluate(day(observations=with_notes(note("void", "broken", 1))))
    assert outcome.missing == ("a blank per run",)


def test_void_duplicate_partner_leaves_the_duplicate_demand_open() -> None:
    outcome = evaluate(day(observations=with_notes(note("void", "broken", 5))))
    assert [m for m in outcome.missing if "duplicate" in m]


def test_closed_run_is_complete_and_its_unread_tubes_are_void() -> None:
    notes = with_notes(note("closed", "block broke"))
    outcome = evaluate(day(readings=readings(without(3)), observations=notes))
    assert outcome.complete
    assert outcome.tubes[2].void
    assert result_of(outcome, "W-101").state is State.REFUSED
    assert result_of(outcome, "W-102").state is State.ACCEPTED


def test_run_closed_without_a_control_is_held() -> None:
    notes = with_notes(note("closed", "block broke"))
    outcome = evaluate(day(readings=readings(without(1)), observations=notes))
    assert outcome.complete
    assert {r.state for r in outcome.results} == {State.HELD}


def test_run_of_controls_alone_needs_no_controls() -> None:
    run = replace(RUN, tubes=TUBES[:1])
    assert evaluate(day(run=run, readings=readings({1: "1"}))).complete


@pytest.mark.parametrize(
    ("samples", "duplicates", "missing"), [(20, 1, 0), (21, 1, 1), (21, 2, 0), (41, 2, 1)]
)
def test_one_control_covers_so_many_tubes_begun(
    samples: int, duplicates: int, missing: int
) -> None:
    tubes = [*TUBES[:2], *(tube(p, Role.SAMPLE, f"W-{p}") for p in range(3, 3 + samples))]
    tubes += [
        tube(100 + n, Role.DUPLICATE, f"dup {n}", sample=f"W-{3 + n}") for n in range(duplicates)
    ]
    shown = {t.position: "300" for t in tubes} | {1: "1", 2: "503"}
    outcome = evaluate(day(run=replace(RUN, tubes=tuple(tubes)), readings=readings(shown)))
    assert len(outcome.missing) == missing


def elsewhere(**changes: object) -> ControlElsewhere:
    base = ControlElsewhere(role=Role.BLANK, run="R-0", started_at=START, lot="K2601", passed=True)
    return replace(base, **changes)  # type: ignore[arg-type]  # by field name


def needing(need: ControlNeed, *met: ControlElsewhere, run: Run | None = None) -> tuple[str, ...]:
    facts = day(
        run=run or replace(RUN, tubes=TUBES[1:]),
        method=replace(COD, needs=(need,)),
        controls_elsewhere=met,
    )
    return evaluate(facts).missing


def test_daily_control_elsewhere_covers_only_if_it_passed_on_that_day() -> None:
    daily = ControlNeed(role=Role.BLANK, per="day")
    assert needing(daily) == ("a blank per day",)
    assert needing(daily, elsewhere()) == ()
    assert needing(daily, elsewhere(passed=False)) == ("a blank per day",)
    assert needing(daily, elsewhere(role=Role.CONTROL_STANDARD)) == ("a blank per day",)
    # 22:30 UTC of the day before is 23:30 in the laboratory: still the day before.
    assert needing(daily, elsewhere(started_at=START - timedelta(hours=8.5))) != ()
    # 23:30 UTC of the day before is past midnight there: the same day.
    assert needing(daily, elsewhere(started_at=START - timedelta(hours=7.5))) == ()
    assert needing(daily, elsewhere(run="R-1")) != ()


def test_control_per_kit_lot_is_asked_for_each_lot_of_the_samples() -> None:
    per_lot = ControlNeed(role=Role.BLANK, per="kit_lot")
    assert needing(per_lot) == ("a blank with kit lot K2601",)
    assert needing(per_lot, elsewhere(started_at=START - timedelta(days=9))) == ()
    assert needing(per_lot, elsewhere(lot="K2500")) != ()
    assert needing(per_lot, run=RUN) == ()
    assert needing(per_lot, run=with_tube(3, lot="K2602")) == ("a blank with kit lot K2602",)


def test_lot_value_stands_for_the_blank_only_if_every_sample_tube_has_one() -> None:
    need = ControlNeed(role=Role.BLANK, accept=("lot",))
    facts = day(run=replace(RUN, tubes=TUBES[1:]), method=replace(COD, needs=(need,)))
    assert evaluate(facts).missing == ("a blank per run",)
    with_value = {"K2601": replace(LOT, blank_value=Decimal(2))}
    assert evaluate(replace(facts, lots=with_value)).missing == ()


# --- failed controls hold the run ------------------------------------------------------------


@pytest.mark.parametrize(("position", "shown"), [(1, "16"), (2, "400"), (6, "90")])
def test_failed_control_holds_every_sample_of_the_run(position: int, shown: str) -> None:
    outcome = evaluate(day(readings=with_reading(position, reading(position, shown))))
    assert outcome.complete
    assert {r.state for r in outcome.results} == {State.HELD}


def test_second_control_that_passes_does_not_undo_the_failed_one() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.BLANK, "blank 7")))
    outcome = evaluate(day(run=run, readings=readings({**SHOWN, 1: "16", 7: "1"})))
    assert {r.state for r in outcome.results} == {State.HELD}
    voided = with_notes(note("void", "contaminated pipette", 1))
    again = day(run=run, readings=readings({**SHOWN, 1: "16", 7: "1"}), observations=voided)
    assert {r.state for r in evaluate(again).results} == {State.ACCEPTED}


def test_failed_spike_holds_its_own_sample_only() -> None:
    spike = tube(7, Role.SPIKE, "W-101 s", sample="W-101", spike_added=Decimal(200))
    facts = day(run=replace(RUN, tubes=(*TUBES, spike)), readings=readings({**SHOWN, 7: "420"}))
    outcome = evaluate(facts)
    assert result_of(outcome, "W-101").state is State.HELD
    assert result_of(outcome, "W-102").state is State.ACCEPTED


def test_controls_give_no_results_of_their_own() -> None:
    assert [r.sample for r in evaluate(GOOD).results] == ["W-101", "W-102", "W-103"]


# --- the value of a sample -------------------------------------------------------------------


def stated(shown: dict[int, str], **changes: object) -> tuple[str, str]:
    facts = replace(day(readings=readings({**SHOWN, **shown})), **changes)  # type: ignore[arg-type]
    result = result_of(evaluate(facts), "W-103")
    return result.text, result.censored


@pytest.mark.parametrize(
    ("first", "second", "text", "censored"),
    [
        ("62", "64", "63", ""),
        ("61", "64", "62", ""),  # 62.5 to the even neighbour, rounded once
        ("63", "64", "64", ""),  # 63.5 likewise
        ("9", "<15", "< 15", "<"),
        ("<15", "<25", "< 20", "<"),
        ("<15", "17", "< 16", "<"),
        (">1500", "1450", "> 1475", ">"),
        (">1500", ">", "> 1500", ">"),
        (">1500", "<15", "> 750", ">"),
    ],
)
def test_mean_of_a_sample_carries_its_censoring(
    first: str, second: str, text: str, censored: str
) -> None:
    assert stated({5: first, 6: second}) == (text, censored)


def test_first_planned_tube_counts_where_the_method_says_first() -> None:
    method = replace(COD, combine="first")
    assert stated({}, method=method)[0] == "62"
    outcome = evaluate(day(method=method, observations=with_notes(note("void", "spilt", 5))))
    assert result_of(outcome, "W-103").tubes == (6,)
    assert result_of(outcome, "W-103").text == "64"


def test_void_tube_does_not_enter_the_mean() -> None:
    outcome = evaluate(day(observations=with_notes(note("void", "spilt", 6))))
    result = result_of(outcome, "W-103")
    assert (result.text, result.tubes, result.readings) == ("62", (5,), (105,))


def test_chosen_reading_counts_and_the_other_does_not() -> None:
    two = with_reading(3, reading(3, "407"), reading(3, "444", id=203))
    facts = day(readings=two, observations=with_notes(note("use_reading", "203", 3)))
    result = result_of(evaluate(facts), "W-101")
    assert (result.text, result.readings, result.state) == ("444", (203,), State.ACCEPTED)


def test_held_tube_without_a_sure_value_states_no_mean() -> None:
    two = with_reading(6, reading(6, "64"), reading(6, "99", id=206))
    result = result_of(evaluate(day(readings=two)), "W-103")
    assert result.state is State.HELD


def test_note_corrects_dilution_and_lot() -> None:
    notes = with_notes(note("dilution", "5", 4, number=8), note("lot", "K2602", 4, number=9))
    facts = day(observations=notes, lots={"K2601": LOT, "K2602": replace(LOT, lot="K2602")})
    result = result_of(evaluate(facts), "W-102")
    assert result.text == "740"
    assert any("K2602" in f.sentence for f in result.findings)


def test_newest_note_counts_and_a_tubes_own_beats_the_runs() -> None:
    notes = with_notes(
        note("turbidity", "turbid", 3, number=20),
        note("turbidity", "clear", 3, number=21),
        note("turbidity", "turbid", number=2),
    )
    assert result_of(evaluate(day(observations=notes)), "W-101").state is State.ACCEPTED
    assert result_of(evaluate(day(observations=notes[::-1])), "W-101").state is State.ACCEPTED


def test_result_names_what_it_repeats() -> None:
    facts = day(run=with_tube(3, repeats="R-0 W-101: over range"))
    assert result_of(evaluate(facts), "W-101").repeats == "R-0 W-101: over range"


def test_findings_come_most_severe_first() -> None:
    notes = with_notes(
        note("turbidity", "turbid", 5, number=9), note("homogenised", "no", 5, number=10)
    )
    facts = day(observations=notes, readings=readings({**SHOWN, 1: "16"}))
    verdicts = [f.verdict for f in result_of(evaluate(facts), "W-103").findings]
    order = [Verdict.REFUSE, Verdict.HOLD, Verdict.CAUTION, Verdict.PASS]
    assert verdicts == sorted(verdicts, key=order.index)
    assert set(verdicts) == set(order)


# --- rounding --------------------------------------------------------------------------------


@pytest.mark.parametrize("check", checks("stated_values"), ids=str)
def test_value_is_stated_as_the_table_says(check: object) -> None:
    """Printed digits times dilution, rounded once; see the table for each source."""
    row = check.inputs  # type: ignore[attr-defined]
    steps = tuple(
        RoundingStep(below=Decimal(below) if below else None, to=Decimal(to))
        for below, _, to in (part.partition("/") for part in row["steps"].split() if part)
    )
    facts = day(
        run=with_tube(3, dilution=diluted(row["factor"])),
        method=replace(COD, rounding=steps, range_high=Decimal(2000)),
        site=SitePolicy(time_zone="Europe/Berlin", rounding=row["mode"]),
        readings=with_reading(3, reading(3, row["shown"])),
    )
    result = result_of(evaluate(facts), "W-101")
    assert result.text == check.expected  # type: ignore[attr-defined]


def test_decimal_factor_keeps_the_printed_place() -> None:
    facts = day(run=with_tube(3, dilution=diluted("2.5")), method=replace(COD, rounding=()))
    assert result_of(evaluate(facts), "W-101").text == "1018"  # 1017.5 to the even unit
    assert result_of(evaluate(facts), "W-101").unrounded == Decimal("1017.5")


def test_ratio_that_no_decimal_equals_is_still_rounded_from_the_exact_value() -> None:
    run = replace(
        RUN,
        tubes=(*TUBES, *(tube(p, Role.SAMPLE, f"x{p}", sample="W-101") for p in (7, 8))),
    )
    facts = day(run=run, readings=readings({**SHOWN, 3: "100", 7: "100", 8: "101"}))
    result = result_of(evaluate(facts), "W-101")
    assert result.text == "100"
    assert str(result.unrounded).startswith("100.33333333333333333333")


def test_blank_is_subtracted_before_dilution_is_applied() -> None:
    facts = day(
        method=replace(COD, blank_in_instrument=False), readings=readings({**SHOWN, 1: "3"})
    )
    outcome = evaluate(facts)
    assert result_of(outcome, "W-102").text == "1450"  # (148 - 3) x 10
    assert result_of(outcome, "W-101").text == "404"


def test_blank_not_yet_read_leaves_the_value_open() -> None:
    facts = day(method=replace(COD, blank_in_instrument=False), readings=readings(without(1)))
    result = result_of(evaluate(facts), "W-101")
    assert (result.value, result.state) == (None, State.AWAITING)


def test_colour_blank_is_subtracted_from_its_own_sample_only() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.COLOUR_BLANK, "W-101 colour", sample="W-101")))
    outcome = evaluate(day(run=run, readings=readings({**SHOWN, 7: "30"})))
    assert result_of(outcome, "W-101").text == "377"
    assert result_of(outcome, "W-102").text == "1480"
    waiting = evaluate(day(run=run))
    assert "the colour blank of sample W-101" in waiting.missing
    assert result_of(waiting, "W-101").state is State.AWAITING


def test_absorbance_alone_is_turned_into_a_concentration_and_diluted_once() -> None:
    from tests.ingestd.evaluate.spoiled_days import CALIBRATION

    for applied in (True, False, None):
        facts = day(
            method=replace(COD, calibration="cod-2026"),
            calibrations={"cod-2026": CALIBRATION},
            readings=with_reading(
                4,
                reading(
                    4,
                    "1",
                    value=None,
                    unit=None,
                    absorbance=Decimal("0.0592"),
                    dilution_applied=applied,
                ),
            ),
        )
        result = result_of(evaluate(facts), "W-102")
        assert (result.text, result.state) == ("1480", State.ACCEPTED)  # 0.0592 / 0.0004 x 10
