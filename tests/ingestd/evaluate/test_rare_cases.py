"""Branches of the judgement that a laboratory meets once a year, and what must come of each."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from ingestd.evaluate import RULES, evaluate
from ingestd.evaluate.case import RunCase
from ingestd.evaluate.run import TUBE_RULES
from ingestd.model import (
    ChartLimits,
    Competence,
    ControlNeed,
    HoldingTime,
    Method,
    Role,
    RunFacts,
    State,
    Verdict,
)
from tests.ingestd.evaluate.bench_day import (
    COD,
    GOOD,
    LOT,
    RUN,
    SHOWN,
    SITE,
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
)
from tests.ingestd.evaluate.spoiled_days import CALIBRATION, CHART, companion, history, past

ZERO_RANGE = replace(
    COD, range_low=Decimal(0), limits=replace(COD.limits, duplicate_floor=Decimal(0))
)


def sentences(facts: RunFacts, rule: str) -> str:
    return " ".join(f.sentence for f in findings_of(evaluate(facts), rule))


def test_rule_that_is_skipped_would_have_said_nothing() -> None:
    """Skipping a rule saves its call and never an answer."""
    bare = Method(
        name="bare", printed_names=(), analyte="COD", basis="O2", range_low=Decimal(0),
        range_high=Decimal(1500), reaction_min=Decimal(1),
    )  # fmt: skip
    digesting = replace(COD, turbidity_check=False, interferents=(), holding=None)
    skipped = set()
    for method in (bare, digesting):
        run = RunCase(day(method=method, observations=GOOD.observations[:2]))
        for case in run.tubes:
            (case.reading,) = GOOD.readings[case.position]
            for rule, applies in TUBE_RULES:
                if not applies(run):
                    skipped.add(rule)
                    assert rule(run, case) is None
    assert len(skipped) == len(TUBE_RULES) - 2  # time and kit lot are asked of every run


def test_unit_spelt_otherwise_is_the_same_unit_and_needs_no_word() -> None:
    """1 g/m3 is 1 mg/L: 1 m3 holds 1000 L."""
    facts = day(readings=with_reading(3, reading(3, "407", unit="g/m3")))
    assert findings_of(evaluate(facts), "reading_unit") == []
    assert result_of(evaluate(facts), "W-101").text == "407"


def test_value_in_doubt_of_its_dilution_is_not_compared_with_its_absorbance() -> None:
    shown = reading(4, "148", absorbance=Decimal("0.0592"), dilution=Decimal(5))
    facts = day(
        method=replace(COD, calibration="cod-2026"),
        calibrations={"cod-2026": CALIBRATION},
        readings=with_reading(4, shown),
    )
    assert findings_of(evaluate(facts), "calibration") == []
    assert result_of(evaluate(facts), "W-102").state is State.HELD


def test_sample_of_which_only_a_spike_was_planned_has_no_result() -> None:
    spike = tube(7, Role.SPIKE, "s", sample="W-104", spike_added=Decimal(200))
    facts = day(
        run=replace(RUN, tubes=(*TUBES, spike)),
        readings=readings({**SHOWN, 7: "600"}),
        samples={**GOOD.samples, "W-104": sample("W-104")},
    )
    assert [r.sample for r in evaluate(facts).results] == ["W-101", "W-102", "W-103"]


def test_pair_of_zeros_has_no_range_in_percent_to_chart() -> None:
    chart = ChartLimits(
        method="cod-high", kind="range", centre=Decimal(2), action_high=Decimal(11)
    )
    facts = day(
        method=ZERO_RANGE, chart_limits=(chart,), readings=readings({**SHOWN, 5: "0", 6: "0"})
    )
    assert findings_of(evaluate(facts), "control_chart") == []
    one = replace(facts, readings=readings({**SHOWN, 5: "0", 6: "1"}))
    assert [f.observed for f in findings_of(evaluate(one), "control_chart")] == ["200 %"]


def test_two_charts_of_one_run_read_the_same_history() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.CONTROL_STANDARD, "c 7", standard="S77")))
    facts = day(
        run=run,
        chart_limits=(CHART,),
        control_history=history(*["501"] * 9)[::-1],
        readings=readings({**SHOWN, 7: "504"}),
    )
    found = findings_of(evaluate(facts), "control_chart")
    assert [(f.position, f.verdict) for f in found] == [
        (2, Verdict.CAUTION),
        (7, Verdict.CAUTION),
    ]


def test_zeroing_that_nobody_attested_leaves_the_blank_to_the_lot() -> None:
    need = ControlNeed(role=Role.BLANK, accept=("zeroing", "lot"))
    facts = day(
        run=replace(RUN, tubes=TUBES[1:]),
        method=replace(COD, needs=(need,)),
        lots={"K2601": replace(LOT, blank_value=Decimal(2))},
    )
    assert evaluate(facts).missing == ()
    assert "blank value of the kit lot" in sentences(facts, "controls_complete")
    attested = replace(facts, observations=with_notes(note("zeroing", "meera, 07:10")))
    assert "zeroing of the instrument is attested" in sentences(attested, "controls_complete")
    neither = replace(facts, method=replace(COD, needs=(replace(need, accept=("zeroing",)),)))
    assert evaluate(neither).missing == ("a blank per run",)


def test_pairs_without_values_or_of_zeros_count_for_no_scatter() -> None:
    more = (
        tube(7, Role.DUPLICATE, "a", sample="W-101"),
        tube(8, Role.DUPLICATE, "b", sample="W-102", dilution=diluted("10")),
        tube(9, Role.SAMPLE, "W-104"),
        tube(10, Role.DUPLICATE, "c", sample="W-104"),
    )
    facts = day(
        method=ZERO_RANGE,
        run=replace(RUN, tubes=(*TUBES, *more)),
        samples={**GOOD.samples, "W-104": sample("W-104")},
    )
    scattered = {3: "400", 7: "440", 4: "148", 8: "148", 5: "200", 6: "200"}
    three = readings({**SHOWN, **scattered, 9: "300", 10: "300"})
    (flagged,) = findings_of(evaluate(replace(facts, readings=three)), "uneven_pair")
    assert (flagged.position, flagged.observed) == (7, "100 %")
    # Cochran's critical value for the variances of 4 pairs at 5 %: 0.906, ISO 5725-2, table of
    # critical values (p = 4, n = 2), from memory.
    assert flagged.limit == "<= 90.65 %"
    assert "holds 100 % of all scatter between the run's 4 pairs, critical 90.65 %" in (
        flagged.sentence
    )
    # Without the other pairs there are only two, too few to say which one stands out.
    zeros = readings({**SHOWN, **scattered, 5: "0", 6: "0", 9: "0", 10: "0"})
    assert findings_of(evaluate(replace(facts, readings=zeros)), "uneven_pair") == []
    doubt = three | {8: (reading(8, "148", dilution=Decimal(5)),), 10: (reading(10, "<15"),)}
    assert findings_of(evaluate(replace(facts, readings=doubt)), "uneven_pair") == []


def test_three_tubes_that_all_show_zero_have_no_relative_scatter() -> None:
    run = replace(RUN, tubes=(*TUBES, tube(7, Role.SAMPLE, "x", sample="W-103")))
    facts = day(method=ZERO_RANGE, run=run, readings=readings({**SHOWN, 5: "0", 6: "0", 7: "0"}))
    assert findings_of(evaluate(facts), "replicates") == []
    assert result_of(evaluate(facts), "W-103").text == "0"
    scattered = replace(facts, readings=readings({**SHOWN, 5: "0", 6: "0", 7: "3"}))
    assert [f.verdict for f in findings_of(evaluate(scattered), "replicates")] == [Verdict.CAUTION]


def test_filtered_part_is_left_to_the_total_one_where_both_are_known() -> None:
    method = replace(
        COD, name="nh4", analyte="ammonium", basis="N", fraction="filtered", unit="mg/L"
    )
    whole = companion("total nitrogen", "12", basis="N")
    facts = day(
        method=method,
        run=replace(RUN, tubes=TUBES[2:3]),
        readings={3: (reading(3, "30"),)},
        companions=(whole,),
    )
    assert [f.verdict for f in findings_of(evaluate(facts), "sum_check")] == [Verdict.CAUTION]
    both = replace(facts, companions=(whole, companion("ammonium", "5", basis="N")))
    assert findings_of(evaluate(both), "sum_check") == []


def test_holding_time_without_preservation_states_no_second_limit() -> None:
    short = replace(COD, holding=HoldingTime(hours=Decimal(24)))
    assert RULES["holding_time"].parameters(short, SITE) == (("holding time", "24 h"),)
    kept = replace(COD, holding=HoldingTime(hours=Decimal(24), preserved_hours=Decimal(672)))
    assert RULES["holding_time"].parameters(kept, SITE)[1:] == (
        ("holding time preserved", "672 h"),
    )


def test_first_colour_blank_that_is_not_void_is_subtracted() -> None:
    more = (
        tube(7, Role.COLOUR_BLANK, "colour 7", sample="W-101"),
        tube(8, Role.COLOUR_BLANK, "colour 8", sample="W-101"),
    )
    facts = day(
        run=replace(RUN, tubes=(*TUBES, *more)), readings=readings({**SHOWN, 7: "30", 8: "40"})
    )
    assert result_of(evaluate(facts), "W-101").text == "377"
    voided = replace(facts, observations=with_notes(note("void", "spilt", 7)))
    assert result_of(evaluate(voided), "W-101").text == "367"


def test_control_history_is_read_by_its_times_whatever_order_it_came_in() -> None:
    rising = history("484", "487", "490", "493", "496", "499")
    facts = day(chart_limits=(CHART,), control_history=rising)
    want = [f.limit for f in findings_of(evaluate(facts), "control_chart")]
    assert "rising" in want[0]
    for shuffled in (rising[::-1], rising[3:] + rising[:3]):
        again = replace(facts, control_history=shuffled)
        assert [f.limit for f in findings_of(evaluate(again), "control_chart")] == want
    late = tuple(replace(p, at=p.at - timedelta(days=n * n)) for n, p in enumerate(rising))
    mixed = replace(facts, control_history=late)
    assert [f.limit for f in findings_of(evaluate(mixed), "control_chart")] != want


def test_tube_of_a_spiked_pair_that_cannot_be_used_is_called_what_it_is() -> None:
    spike = tube(7, Role.SPIKE, "s", sample="W-101", spike_added=Decimal(200))
    facts = day(run=replace(RUN, tubes=(*TUBES, spike)))
    over = replace(facts, readings=readings({**SHOWN, 7: ">1500"}))
    assert "The spike at position 7 " in sentences(over, "spike_recovery")
    native = replace(facts, readings=readings({**SHOWN, 3: ">1500", 7: "600"}))
    assert "The unspiked tube at position 3 " in sentences(native, "spike_recovery")


def test_history_in_a_unit_that_differs_alone_is_converted() -> None:
    grams = tuple(replace(v, value=v.value.scaleb(-3), unit="g/L") for v in past(*["400"] * 9))
    assert "median 400 mg/L over 9 results" in sentences(day(point_history=grams), "point_history")
    smaller = tuple(replace(v, value=v.value.scaleb(3), unit="ug/L") for v in past(*["400"] * 9))
    assert "median 400 mg/L over 9 results" in sentences(
        day(point_history=smaller), "point_history"
    )


@pytest.mark.parametrize(
    "limits",
    [
        {"action_high": Decimal(530)},
        {"warning_high": Decimal(520)},
        {"action_low": Decimal(470)},
        {"warning_low": Decimal(480)},
    ],
    ids=str,
)
def test_any_one_limit_says_how_far_one_standard_deviation_is(limits: dict[str, Decimal]) -> None:
    """Action limits stand at three, warning limits at two of them: ISO 7870-2:2013."""
    chart = ChartLimits(method="cod-high", kind="mean", centre=Decimal(500), **limits)
    for earlier, verdict in (("510.1", Verdict.CAUTION), ("509.9", Verdict.PASS)):
        facts = day(
            chart_limits=(chart,),
            control_history=history(earlier, "499", earlier, earlier),
            readings=readings({**SHOWN, 2: earlier}),
        )
        assert [f.verdict for f in findings_of(evaluate(facts), "control_chart")] == [verdict]


@pytest.mark.parametrize(
    ("low", "high", "shown", "absorbance", "verdict"),
    [
        # 5 % of 100 mg/L is 5; half the lower limit of 15 is 7.5; a hundredth of 1500 is 15.
        ("15", "1500", "115", "0.0400", Verdict.PASS),
        ("15", "1500", "115.1", "0.0400", Verdict.HOLD),
        ("15", "700", "107.5", "0.0400", Verdict.PASS),
        ("15", "700", "107.6", "0.0400", Verdict.HOLD),
        # 5 % of 400 mg/L is 20, more than either.
        ("15", "1500", "420", "0.1600", Verdict.PASS),
        ("15", "1500", "420.1", "0.1600", Verdict.HOLD),
    ],
)
def test_display_may_leave_the_calibration_by_the_largest_of_three_allowances(
    low: str, high: str, shown: str, absorbance: str, verdict: Verdict
) -> None:
    """Common practice, no source: 5 %, half the lower limit, a hundredth of the range."""
    facts = day(
        method=replace(
            COD, calibration="cod-2026", range_low=Decimal(low), range_high=Decimal(high)
        ),
        calibrations={"cod-2026": CALIBRATION},
        run=replace(RUN, tubes=TUBES[:3]),
        readings=with_reading(3, reading(3, shown, absorbance=Decimal(absorbance))),
    )
    assert [f.verdict for f in findings_of(evaluate(facts), "calibration")] == [verdict]


def test_competence_is_of_this_person_in_this_method() -> None:
    able = Competence(person="Meera", method="cod-high", until=date(2027, 1, 1))
    facts = day(method=replace(COD, competence_required=True), competences=(able,))
    assert [f.verdict for f in findings_of(evaluate(facts), "competence")] == [Verdict.PASS]
    for other in (replace(able, person="jon"), replace(able, method="nh4")):
        found = findings_of(evaluate(replace(facts, competences=(other,))), "competence")
        assert [f.verdict for f in found] == [Verdict.HOLD]


@pytest.mark.parametrize(("lot", "observed"), [("S99", "S99"), ("", "none")])
def test_control_standard_that_is_not_on_record_is_named(lot: str, observed: str) -> None:
    run = replace(
        RUN, tubes=tuple(replace(t, standard=lot) if t.position == 2 else t for t in TUBES)
    )
    (found,) = findings_of(evaluate(day(run=run)), "control_standard")
    assert (found.verdict, found.observed) == (Verdict.HOLD, observed)
