"""Corners of single rules that a whole spoiled day would show only in passing."""

import random
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest

from ingestd.evaluate import RULES, evaluate
from ingestd.evaluate.case import RunCase
from ingestd.evaluate.concentration import unit_factor
from ingestd.evaluate.dilution_proposal import usual_factor
from ingestd.evaluate.rules.charts import PATTERNS
from ingestd.evaluate.rules.control_standard import nominal_of
from ingestd.evaluate.rules.rule import Rule
from ingestd.evaluate.statistics.chart_patterns import signals_at_last
from ingestd.model import (
    ChartLimits,
    HoldingTime,
    Method,
    Role,
    RoundingStep,
    RunFacts,
    SampleValue,
    State,
    Verdict,
)
from parsers.units import UnitError
from tests.ingestd.evaluate.bench_day import (
    COD,
    DIGESTED,
    GOOD,
    READ,
    RUN,
    SHOWN,
    SITE,
    STANDARD,
    START,
    TUBES,
    day,
    diluted,
    findings_of,
    note,
    reading,
    readings,
    result_of,
    sample,
    tube,
    with_notes,
    with_reading,
    with_tube,
    worst,
)
from tests.ingestd.evaluate.published import Check, checks
from tests.ingestd.evaluate.spoiled_days import CALIBRATION, CHART, history, past

NUTRIENT = Method(
    name="nutrient",
    printed_names=("COD 1500",),
    analyte="ammonium",
    basis="N",
    range_low=Decimal(0),
    range_high=Decimal(100),
)


def said(facts: RunFacts, rule: str) -> str:
    return " ".join(f.sentence for f in findings_of(evaluate(facts), rule))


# --- units -----------------------------------------------------------------------------------


@pytest.mark.parametrize("check", checks("converted_units"), ids=str)
def test_reading_is_converted_to_unit_and_basis_of_the_method(check: Check) -> None:
    row = check.inputs
    method = replace(
        NUTRIENT,
        unit=row["to"],
        basis=row["to_basis"],
        rounding=(RoundingStep(to=Decimal("0.0000001")),),
    )
    shown = reading(3, row["shown"], unit=row["unit"], basis=row["basis"] or None)
    facts = day(method=method, readings={3: (shown,)}, run=replace(RUN, tubes=TUBES[2:3]))
    result = result_of(evaluate(facts), "W-101")
    assert result.value is not None
    check.agrees(result.value)


def test_method_without_basis_takes_the_readings_own() -> None:
    facts = day(
        method=replace(COD, basis=""), readings=with_reading(3, reading(3, "407", basis="O2"))
    )
    assert result_of(evaluate(facts), "W-101").text == "407"


def test_unknown_units_name_what_is_unknown() -> None:
    with pytest.raises(UnitError, match="'ppm' is not known"):
        unit_factor("ppm", "", "mg/L", "O2")
    with pytest.raises(UnitError, match="'XYZ' is not known"):
        unit_factor("mg/L", "XYZ", "mg/L", "N")
    assert unit_factor("mg/L N", "", "mg/L", "N") == 1


# --- dilution --------------------------------------------------------------------------------


def test_factors_that_agree_to_the_printed_digits_are_one() -> None:
    shown = reading(4, "148", dilution=Decimal("33.3"))
    run = with_tube(4, dilution=diluted("33.25"))
    outcome = evaluate(day(run=run, readings=with_reading(4, shown)))
    assert result_of(outcome, "W-102").state is State.ACCEPTED
    assert result_of(outcome, "W-102").unrounded == Decimal("4921.00")  # 148 x the planned factor


def test_undiluted_tube_needs_no_word_on_who_applies_the_factor() -> None:
    for applied in (None, True, False):
        shown = reading(3, "407", dilution_applied=applied, dilution=Decimal(1))
        assert result_of(evaluate(day(readings=with_reading(3, shown))), "W-101").text == "407"


@pytest.mark.parametrize(
    ("at_least", "factor"),
    [("1.1", "2"), ("2", "2"), ("2.1", "5"), ("10001", "10001"), ("123456.7", "123457")],
)
def test_usual_factor_is_never_below_the_wanted_one(at_least: str, factor: str) -> None:
    assert usual_factor(Decimal(at_least)) == Decimal(factor)


def test_expected_value_that_falls_below_the_range_once_diluted_is_said() -> None:
    salty = {c: sample(c, chloride_mg_l=Decimal(2_000_000)) for c in ("W-101", "W-102", "W-103")}
    facts = day(
        run=with_tube(3, expected=Decimal(6000)),
        samples=salty,
        readings=with_reading(3, reading(3, ">1500")),
    )
    assert "use another range or method" in said(facts, "measuring_range")


def test_number_far_above_the_range_asks_for_more_than_the_next_factor() -> None:
    facts = day(readings=with_reading(3, reading(3, "9000")))
    assert "at least 10 (1+9)" in said(facts, "measuring_range")


# --- notes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value"),
    [("turbidity", "NaN"), ("digestion_end", "yesterday"), ("chloride", "Infinity")],
)
def test_note_that_is_no_number_or_time_holds_its_tube(key: str, value: str) -> None:
    outcome = evaluate(day(observations=with_notes(note(key, value, 3, number=77))))
    assert worst(findings_of(outcome, "readable_note")) is Verdict.HOLD
    assert result_of(outcome, "W-101").state is State.HELD
    assert result_of(outcome, "W-102").state is State.ACCEPTED


def test_turbidity_noted_where_nobody_asked_still_counts() -> None:
    method = replace(COD, turbidity_check=False)
    quiet = day(method=method, observations=GOOD.observations[:2])
    assert findings_of(evaluate(quiet), "tube_clear") == []
    turbid = day(method=method, observations=with_notes(note("turbidity", "turbid", 3)))
    assert result_of(evaluate(turbid), "W-101").state is State.REFUSED


def test_turbid_blank_cannot_speak_for_the_run() -> None:
    outcome = evaluate(day(observations=with_notes(note("turbidity", "turbid", 1))))
    assert {r.state for r in outcome.results} == {State.HELD}


# --- statement -------------------------------------------------------------------------------


def test_limit_that_no_decimal_equals_is_widened_outwards() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.SAMPLE, "x", sample="W-103")))
    low = day(run=run, readings=readings({**SHOWN, 5: "<15", 6: "<15", 7: "<16"}))
    assert result_of(evaluate(low), "W-103").text == "< 15.3334"
    high = day(run=run, readings=readings({**SHOWN, 5: ">1500", 6: ">1500", 7: "1400"}))
    assert result_of(evaluate(high), "W-103").text == "> 1466.66"
    nothing = day(run=run, readings=readings({**SHOWN, 5: ">0", 6: "<15", 7: "<15"}))
    assert result_of(evaluate(nothing), "W-103").text == "> 0"


def test_value_above_all_rounding_steps_takes_the_last() -> None:
    method = replace(COD, rounding=(RoundingStep(below=Decimal(100), to=Decimal(5)),))
    assert result_of(evaluate(day(method=method)), "W-101").text == "405"


def test_half_up_is_used_where_the_site_says_so() -> None:
    site = replace(SITE, rounding="half_up")
    shown = readings({**SHOWN, 5: "61", 6: "64"})
    assert result_of(evaluate(day(site=site, readings=shown)), "W-103").text == "63"


# --- blanks ----------------------------------------------------------------------------------


def test_several_blanks_are_subtracted_by_their_mean() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.BLANK, "blank 7"), tube(8, Role.BLANK, "b 8")))
    facts = day(
        run=run,
        method=replace(COD, blank_in_instrument=False),
        readings=readings({**SHOWN, 1: "1", 7: "2", 8: "4"}),
    )
    assert result_of(evaluate(facts), "W-102").text == "1460"  # (148 - 7/3) x 10 = 1456.67


def test_blank_to_subtract_that_is_nowhere_is_missing_until_the_run_is_closed() -> None:
    facts = day(run=replace(RUN, tubes=TUBES[1:]), method=replace(COD, blank_in_instrument=False))
    assert "the blank to subtract from tube 3" in evaluate(facts).missing
    closed = replace(facts, observations=with_notes(note("closed", "done")))
    assert {r.state for r in evaluate(closed).results} == {State.HELD}


def test_tube_in_doubt_about_its_dilution_subtracts_nothing() -> None:
    shown = reading(4, "148", dilution=Decimal(5))
    facts = day(method=replace(COD, blank_in_instrument=False), readings=with_reading(4, shown))
    assert result_of(evaluate(facts), "W-102").value is None


# --- windows and holding times ---------------------------------------------------------------


def test_window_without_limits_asks_nothing() -> None:
    for method in (
        replace(COD, cooling_min=None, cooling_max=None),
        replace(COD, programs=(), reaction_min=None, reaction_max=None),
    ):
        outcome = evaluate(day(method=method))
        assert findings_of(outcome, "cooling_time") == []
        assert findings_of(outcome, "reaction_time") == []


def test_window_with_a_longest_time_only_is_judged_by_it() -> None:
    method = replace(COD, cooling_min=None)
    assert "inside <= 240 min" in said(day(method=method), "cooling_time")


def test_any_preservation_counts_where_the_method_names_none() -> None:
    long_kept = {
        c: sample(
            c, sampled_at=START - timedelta(hours=100), preserved_at=START - timedelta(hours=99)
        )
        for c in ("W-101", "W-102", "W-103")
    }
    method = replace(COD, holding=HoldingTime(hours=Decimal(24), preserved_hours=Decimal(672)))
    assert "(preserved)" in said(day(method=method, samples=long_kept), "holding_time")
    short = replace(COD, holding=HoldingTime(hours=Decimal(24)))
    outcome = evaluate(day(method=short, samples=long_kept))
    assert worst(findings_of(outcome, "holding_time")) is Verdict.HOLD
    none = replace(COD, holding=None)
    assert findings_of(evaluate(day(method=none, samples=long_kept)), "holding_time") == []


def test_holding_time_over_the_change_of_clocks_counts_hours_that_passed() -> None:
    """48 h from 2024-03-30 12:00 CET end at 2024-04-01 13:00 CEST: interval arithmetic in UTC."""
    sampled = START.fromisoformat("2024-03-30T12:00:00+01:00")
    method = replace(COD, holding=HoldingTime(hours=Decimal(48)))
    verdicts = []
    for prepared in ("12:59:59", "13:00:00", "13:00:01"):
        at = START.fromisoformat(f"2024-04-01T{prepared}+02:00")
        facts = day(
            method=method,
            run=replace(RUN, prepared_at=at),
            samples={c: sample(c, sampled_at=sampled) for c in ("W-101", "W-102", "W-103")},
        )
        verdicts.append(worst(findings_of(evaluate(facts), "holding_time")))
    assert verdicts == [Verdict.PASS, Verdict.PASS, Verdict.HOLD]


def test_twenty_eight_days_over_a_leap_day_are_672_hours() -> None:
    """2024-02-01 09:30 UTC + 28 d = 2024-02-29 09:30 UTC; computed."""
    sampled = START.fromisoformat("2024-02-01T09:30:00+00:00")
    deadline = START.fromisoformat("2024-02-29T09:30:00+00:00")
    method = replace(COD, holding=HoldingTime(hours=Decimal(672)))
    for late, verdict in ((0, Verdict.PASS), (1, Verdict.HOLD)):
        facts = day(
            method=method,
            run=replace(RUN, prepared_at=deadline + timedelta(seconds=late)),
            samples={c: sample(c, sampled_at=sampled) for c in ("W-101", "W-102", "W-103")},
        )
        assert worst(findings_of(evaluate(facts), "holding_time")) is verdict


# --- charts ----------------------------------------------------------------------------------


def charted(chart: ChartLimits, **changes: object) -> list[Verdict]:
    facts = replace(day(chart_limits=(chart,)), **changes)  # type: ignore[arg-type]  # by name
    return [f.verdict for f in findings_of(evaluate(facts), "control_chart")]


def test_chart_of_another_method_instrument_or_level_says_nothing() -> None:
    assert charted(replace(CHART, method="nh4")) == []
    assert charted(replace(CHART, instrument="meter-9")) == []
    assert charted(replace(CHART, level="S99")) == []
    assert charted(replace(CHART, level="500"), standards={}) == []
    assert charted(replace(CHART, instrument="meter-1")) == [Verdict.PASS]


def test_control_that_cannot_be_used_is_not_charted() -> None:
    assert charted(CHART, readings=with_reading(2, reading(2, ">1500"))) == []
    blank = replace(CHART, kind="blank", level="")
    assert charted(blank, readings=with_reading(1, reading(1, "<15"))) == []
    ranges = replace(CHART, kind="range", level="")
    assert charted(ranges, readings=with_reading(6, reading(6, "<15"))) == []


def test_chart_without_limits_has_no_patterns() -> None:
    bare = ChartLimits(method="cod-high", kind="mean", centre=Decimal(500))
    assert charted(bare, control_history=history(*["501"] * 9)) == [Verdict.PASS]


@pytest.mark.parametrize(
    "limits",
    [
        {"action_high": Decimal(530)},
        {"warning_high": Decimal(520)},
        {"action_low": Decimal(470)},
        {"warning_low": Decimal(480)},
    ],
)
def test_any_one_limit_gives_the_charts_scale(limits: dict[str, Decimal]) -> None:
    bare = ChartLimits(method="cod-high", kind="mean", centre=Decimal(500))
    chart = replace(bare, **limits)  # type: ignore[arg-type]  # by field name
    assert charted(chart, control_history=history(*["501"] * 7)) == [Verdict.CAUTION]
    assert charted(chart, control_history=history(*["501"] * 6)) == [Verdict.PASS]


def test_history_of_other_levels_and_instruments_makes_no_pattern() -> None:
    chart = replace(CHART, instrument="meter-1")
    row = history(*["501"] * 9)
    assert charted(chart, control_history=row) == [Verdict.CAUTION]
    assert charted(
        chart, control_history=tuple(replace(p, instrument="meter-2") for p in row)
    ) == [Verdict.PASS]
    assert charted(
        chart, control_history=tuple(replace(p, nominal=Decimal(100)) for p in row)
    ) == [Verdict.PASS]
    assert charted(chart, control_history=tuple(replace(p, nominal=None) for p in row)) == [
        Verdict.PASS
    ]


def test_chart_of_ranges_reads_its_history_in_percent() -> None:
    chart = ChartLimits(
        method="cod-high", kind="range", centre=Decimal(2), action_high=Decimal(11)
    )
    pairs = tuple(
        replace(p, role=Role.DUPLICATE, nominal=None, partner=Decimal(100))
        for p in history(*["104"] * 9)
    )
    assert charted(chart, control_history=pairs) == [Verdict.CAUTION]
    lonely = tuple(replace(p, partner=None) for p in pairs)
    assert charted(chart, control_history=lonely) == [Verdict.PASS]


def test_standard_prepared_by_a_factor_is_charted_at_what_it_became() -> None:
    third = replace(STANDARD, value=Decimal(1500), preparation_factor=Decimal(3))
    chart = replace(CHART, level="500")
    assert charted(chart, standards={"S77": third}) == [Verdict.PASS]
    row = tuple(replace(p, nominal=Decimal(500)) for p in history(*["501"] * 9))
    assert charted(chart, standards={"S77": third}, control_history=row) == [Verdict.CAUTION]


# --- history and sums ------------------------------------------------------------------------


def test_history_in_another_unit_is_converted_and_in_another_quantity_left_out() -> None:
    grams = tuple(
        replace(v, value=v.value.scaleb(-3), unit="g/L", basis="")
        for v in past(*["400"] * 4, *["420"] * 5)
    )
    facts = day(point_history=grams)
    assert "median 420 mg/L over 9 results" in said(facts, "point_history")
    strange = tuple(replace(v, basis="N") for v in past(*["400"] * 9))
    assert said(day(point_history=strange), "point_history") == ""
    other = tuple(replace(v, fraction="filtered") for v in past(*["400"] * 9))
    assert said(day(point_history=other), "point_history") == ""


def test_history_without_any_spread_calls_nothing_unusual() -> None:
    facts = day(point_history=past(*["400"] * 9), readings=with_reading(3, reading(3, "900")))
    outcome = evaluate(facts)
    assert worst(findings_of(outcome, "point_history")) is Verdict.PASS


def test_short_history_and_unknown_point_say_nothing() -> None:
    assert said(day(point_history=past(*["400"] * 7)), "point_history") == ""
    nowhere = {c: sample(c, point="") for c in ("W-101", "W-102", "W-103")}
    assert said(day(point_history=past(*["400"] * 9), samples=nowhere), "point_history") == ""


def value_of(analyte: str, value: str, basis: str, **changes: object) -> SampleValue:
    base = SampleValue(
        sample="W-101",
        analyte=analyte,
        fraction="total",
        basis=basis,
        value=Decimal(value),
        censored="",
        unit="mg/L",
        uncertainty=Decimal("0.1"),
        at=START,
    )
    return replace(base, **changes)  # type: ignore[arg-type]  # by field name


def nitrogen(total: str, *companions: SampleValue) -> tuple[Verdict | None, str]:
    facts = day(
        method=replace(NUTRIENT, analyte="total nitrogen"),
        run=replace(RUN, tubes=TUBES[2:3]),
        readings={3: (reading(3, total),)},
        companions=companions,
    )
    found = findings_of(evaluate(facts), "sum_check")
    return worst(found), " ".join(f.sentence for f in found)


def test_nitrogen_forms_are_summed_on_one_basis() -> None:
    """NO3 22.14 mg/L is 5.00 mg/L N, NH4 12.88 mg/L is 10.00 mg/L N (IUPAC 2021; computed)."""
    ammonium, nitrate = value_of("ammonium", "12.88", "NH4"), value_of("nitrate", "22.14", "NO3")
    assert nitrogen("20", ammonium, nitrate)[0] is Verdict.PASS
    verdict, sentence = nitrogen("12", ammonium, nitrate)
    assert verdict is Verdict.CAUTION
    assert "is 15 mg/L" in sentence
    assert nitrogen("14.8", ammonium, nitrate)[0] is Verdict.PASS  # within its own 10 %


def test_newest_of_several_companions_stands() -> None:
    old = value_of("nitrate", "90", "N", at=START - timedelta(days=1))
    assert nitrogen("12", old, value_of("nitrate", "5", "N"))[0] is Verdict.PASS


def test_whole_above_its_range_or_in_another_quantity_is_not_compared() -> None:
    phosphate = value_of("phosphate", "9", "P")
    assert nitrogen("12", phosphate)[0] is None
    assert nitrogen("12", value_of("nitrate", "99", "N", unit="NTU"))[0] is None
    assert nitrogen("12", value_of("colour", "99", "N"))[0] is None
    facts = day(
        companions=(value_of("COD", "300", "O2", fraction="filtered"),),
        readings=with_reading(3, reading(3, ">1500")),
    )
    assert findings_of(evaluate(facts), "sum_check") == []


def test_part_from_this_run_is_held_against_the_whole_from_another() -> None:
    facts = day(
        method=replace(NUTRIENT, analyte="phosphate", basis="P"),
        run=replace(RUN, tubes=TUBES[2:3]),
        readings={3: (reading(3, "9"),)},
        companions=(value_of("total phosphorus", "5", "P"),),
    )
    assert worst(findings_of(evaluate(facts), "sum_check")) is Verdict.CAUTION


def test_earlier_result_is_compared_only_as_a_number_of_the_same_quantity() -> None:
    def answers(*companions: SampleValue) -> list[Verdict]:
        facts = day(companions=companions)
        return [f.verdict for f in findings_of(evaluate(facts), "earlier_result")]

    other = value_of("COD", "0.9", "O2", unit="g/L", uncertainty=Decimal("0.05"))
    assert answers(other) == [Verdict.CAUTION]
    assert answers(value_of("COD", "0.41", "O2", unit="g/L", uncertainty=None)) == [Verdict.PASS]
    assert answers(replace(other, censored="<")) == []
    assert answers(replace(other, fraction="filtered")) == []
    assert answers(replace(other, basis="N")) == []
    assert answers(replace(other, sample="W-999")) == []


# --- replicates, spikes, calibration ---------------------------------------------------------


def test_three_tubes_with_few_numbers_are_not_compared() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.SAMPLE, "x", sample="W-103")))
    facts = day(run=run, readings=readings({**SHOWN, 5: "<15", 6: "<15", 7: "17"}))
    assert findings_of(evaluate(facts), "replicates") == []


def test_pairs_alike_or_within_the_floor_are_not_flagged() -> None:
    run = replace(
        RUN,
        tubes=(
            *TUBES,
            tube(7, Role.DUPLICATE, "a", sample="W-101"),
            tube(8, Role.DUPLICATE, "b", sample="W-102", dilution=diluted("10")),
        ),
    )
    for shown in (
        {5: "62", 6: "64", 7: "408", 8: "148"},
        {5: "500", 6: "530", 7: "430", 8: "140"},
        {5: "500", 6: "<15", 7: "408", 8: "148"},
    ):
        facts = day(run=run, readings=readings({**SHOWN, **shown}))
        assert findings_of(evaluate(facts), "uneven_pair") == []


def test_spike_waits_for_its_sample_and_never_speaks_for_a_void_one() -> None:
    spike = tube(7, Role.SPIKE, "s", sample="W-101", spike_added=Decimal(200))
    run = replace(RUN, tubes=(*TUBES, spike))
    unread = {p: t for p, t in SHOWN.items() if p != 3} | {7: "600"}
    assert said(day(run=run, readings=readings(unread)), "spike_recovery") == ""
    assert said(day(run=run), "spike_recovery") == ""
    void = day(
        run=run,
        readings=readings({**SHOWN, 7: "600"}),
        observations=with_notes(note("void", "spilt", 3)),
    )
    assert said(void, "spike_recovery") == ""


def test_curve_of_second_order_is_solved_for_the_absorbance() -> None:
    """A = 0.0005 c - 1e-7 c^2: 0.16 at 343.6 mg/L; computed."""
    points = tuple(
        replace(
            p,
            absorbance=Decimal("0.0005") * p.concentration
            - Decimal("0.0000001") * p.concentration**2,
        )
        for p in CALIBRATION.points
    )
    in_force = {"cod-2026": replace(CALIBRATION, order=2, points=points)}
    alone = reading(3, "1", value=None, unit=None, absorbance=Decimal("0.16"))
    facts = day(
        method=replace(COD, calibration="cod-2026", rounding=()),
        calibrations=in_force,
        readings=with_reading(3, alone),
    )
    result = result_of(evaluate(facts), "W-101")
    # c = (0.0005 - root(0.0005^2 - 4 x 1e-7 x 0.16)) / 2e-7 = 343.614...
    assert result.unrounded is not None
    assert result.unrounded.quantize(Decimal("0.01")) == Decimal("343.61")
    assert result.text == "344"


def test_absorbance_in_doubt_of_its_dilution_gives_no_value() -> None:
    alone = reading(4, "1", value=None, unit=None, absorbance=Decimal("0.06"), dilution=Decimal(5))
    facts = day(
        method=replace(COD, calibration="cod-2026"),
        calibrations={"cod-2026": CALIBRATION},
        readings=with_reading(4, alone),
    )
    result = result_of(evaluate(facts), "W-102")
    assert (result.value, result.state) == (None, State.HELD)


def test_token_beside_an_absorbance_stays_a_token() -> None:
    shown = reading(3, ">1500", absorbance=Decimal("0.9"))
    facts = day(
        method=replace(COD, calibration="cod-2026"),
        calibrations={"cod-2026": CALIBRATION},
        readings=with_reading(3, shown),
    )
    assert result_of(evaluate(facts), "W-101").text == "> 1500"


def test_zero_absorbance_is_below_the_limit() -> None:
    alone = reading(3, "1", value=None, unit=None, absorbance=Decimal(0))
    facts = day(
        method=replace(COD, calibration="cod-2026"),
        calibrations={"cod-2026": CALIBRATION},
        readings=with_reading(3, alone),
    )
    assert result_of(evaluate(facts), "W-101").text == "< 15"


def test_nominal_of_a_standard_is_in_the_methods_unit_as_prepared() -> None:
    standard = replace(
        STANDARD, value=Decimal(10), unit="g/L", preparation_factor=Decimal(20),
        expanded_uncertainty=Decimal("0.1"),
    )  # fmt: skip
    assert nominal_of(COD, standard) == (Fraction(500), Fraction(5))


def test_standard_whose_unit_does_not_convert_leaves_uncertainty_out() -> None:
    outcome = evaluate(day(standards={"S77": replace(STANDARD, basis="N")}))
    assert {r.uncertainty for r in outcome.results} == {None}


# --- the rest --------------------------------------------------------------------------------


def test_parameters_in_force_follow_method_and_site() -> None:
    def of(name: str, method: Method = COD) -> dict[str, str]:
        return dict(RULES[name].parameters(method, SITE))

    assert of("cooling_time") == {"from end of digestion to reading": "10 to 240 min"}
    assert of("reaction_time") == {"from reagent to reading": "not stated"}
    assert of("holding_time", replace(COD, holding=None)) == {"holding time": "not stated"}
    assert of("digestion_program", NUTRIENT) == {"programs": "none: the method does not digest"}
    assert of("interferent_in_tube", NUTRIENT) == {"interferents": "no tolerance stated"}
    assert of("controls_complete", NUTRIENT) == {"controls": "none demanded"}
    assert of("tube_clear", NUTRIENT)["highest turbidity"] == "not stated"
    assert of("dilution_once")["reading of 1:10"] == "refused"
    assert "only after a comparison" in of("digestion_program")["program fast"]
    assert of("statement")["half way"] == "half even"


def test_rule_without_parameters_has_none() -> None:
    bare = Rule(name="x", question="?", formula="-", outcomes=(), source="none")
    assert bare.parameters(COD, SITE) == ()


def test_case_of_a_run_finds_matrix_of_sample_then_of_point() -> None:
    case = RunCase(GOOD)
    assert case.matrix_of(case.tubes[0]) == ""
    assert case.matrix_of(case.tubes[2]) == "waste water"
    pointless = {"W-101": sample("W-101", matrix="", point="nowhere")}
    case = RunCase(day(samples=pointless))
    assert case.matrix_of(case.tubes[2]) == ""


def test_reading_before_its_digestion_ended_is_held_whatever_the_window() -> None:
    shown = reading(3, "407", measured_at=DIGESTED - timedelta(minutes=1))
    outcome = evaluate(day(readings=with_reading(3, shown)))
    assert result_of(outcome, "W-101").state is State.HELD


def test_tube_without_reading_refuses_to_be_asked_about_it() -> None:
    with pytest.raises(LookupError, match="tube 3 has no reading"):
        _ = RunCase(GOOD).tubes[2].counted


@pytest.mark.parametrize("seed", range(40))
def test_patterns_on_a_chart_are_those_of_the_run_rules(seed: int) -> None:
    """The quick look that saves ratios never changes what the exact rules say."""
    chance = random.Random(seed)
    drift = chance.choice([0, 0, 4, -4, 9])
    row = [500 + drift * n // 2 + round(chance.gauss(0, 12)) for n in range(10)]
    last = max(min(row[-1], 519), 481)
    distances = [Fraction(v - 500, 10) for v in (*row[:-1], last)]
    want = next((r.name for r in PATTERNS if signals_at_last(r, distances)), "")
    facts = day(
        chart_limits=(CHART,),
        control_history=history(*map(str, row[:-1])),
        readings=readings({**SHOWN, 2: str(last)}),
    )
    assert [f.limit for f in findings_of(evaluate(facts), "control_chart")] == [
        want or "470 to 530 mg/L"
    ]


@pytest.mark.parametrize(
    ("shown", "unit", "stated"),
    [("0.08", "g/L", "80"), ("0.080", "g/L", "80"), ("80.5", "ug/L", "0.0805")],
)
def test_reading_in_another_unit_claims_no_digit_that_was_not_printed(
    shown: str, unit: str, stated: str
) -> None:
    """Hundredths of a gram are tens of a milligram. Common practice, no source."""
    facts = day(
        method=replace(NUTRIENT, range_high=Decimal(1000)),
        run=replace(RUN, tubes=TUBES[2:3]),
        readings={3: (reading(3, shown, unit=unit),)},
    )
    (result,) = evaluate(facts).results
    assert result.text == stated
    assert result.steps[-2].startswith("Rounded once to a multiple of")
    assert result.steps[-2].split(" multiple of ")[1].split(":")[0] == {
        "0.08": "10", "0.080": "1", "80.5": "0.0001",
    }[shown]  # fmt: skip


def test_mean_is_told_of_several_tubes_and_of_one_it_is_not() -> None:
    outcome = evaluate(GOOD)
    assert "Mean of 2 tubes: 63 mg/L." in result_of(outcome, "W-103").steps  # 62 and 64
    assert "Mean" not in " ".join(result_of(outcome, "W-101").steps)


def test_last_reading_of_an_instrument_is_what_its_verification_must_outlast() -> None:
    due = GOOD.instruments["meter-1"].verification_due
    assert due is not None
    late = reading(4, "148", measured_at=READ.replace(year=due.year + 1))
    outcome = evaluate(day(readings=with_reading(4, late)))
    assert worst(findings_of(outcome, "instrument_verification")) is Verdict.HOLD
