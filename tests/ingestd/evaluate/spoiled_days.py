"""Days with one fact spoiled (or one that must pass), each with the answer its rule must give.

The limits are those of the invented method of `bench_day`; where a limit or a figure follows a
published source the case names it, otherwise it is the laboratory's own or common practice.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from ingestd.model import (
    Calibration,
    CalibrationPoint,
    ChartLimits,
    Competence,
    ControlElsewhere,
    ControlNeed,
    ControlPoint,
    DigestionComparison,
    DigestionPair,
    Role,
    RunFacts,
    SampleValue,
    SamplingPoint,
    StoredReading,
    Verdict,
)
from tests.ingestd.evaluate.bench_day import (
    COD,
    DIGESTED,
    LOT,
    METER,
    NOTES,
    RUN,
    SHOWN,
    STANDARD,
    START,
    TUBES,
    day,
    diluted,
    note,
    reading,
    readings,
    sample,
    tube,
    with_notes,
    with_reading,
    with_tube,
)

PRACTICE = "common practice, no source"
PASS, CAUTION, HOLD, REFUSE = Verdict.PASS, Verdict.CAUTION, Verdict.HOLD, Verdict.REFUSE


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """Facts, and what one rule must answer: its worst verdict and words of its sentence."""

    id: str
    facts: RunFacts
    rule: str
    verdict: Verdict
    says: str
    source: str = PRACTICE

    def __str__(self) -> str:
        return f"{self.rule}-{self.id}"


DAYS: list[Day] = []


def spoiled(
    rule: str, verdict: Verdict, name: str, facts: RunFacts, says: str, source: str = PRACTICE
) -> None:
    DAYS.append(Day(id=name, facts=facts, rule=rule, verdict=verdict, says=says, source=source))


def method(**changes: Any) -> dict[str, Any]:
    return {"method": replace(COD, **changes)}


def samples(**changes: Any) -> dict[str, Any]:
    return {"samples": {c: sample(c, **changes) for c in ("W-101", "W-102", "W-103")}}


def shown(numbers: Mapping[int, str]) -> dict[str, Any]:
    return {"readings": readings({**SHOWN, **numbers})}


def read(position: int, text: str, **changes: Any) -> dict[str, Any]:
    return {"readings": with_reading(position, reading(position, text, **changes))}


# --- one reading, its time, its unit ---------------------------------------------------------

two = with_reading(3, reading(3, "407"), reading(3, "417", id=203))
spoiled("one_reading", HOLD, "several", day(readings=two), "2 readings (103, 203)")
spoiled(
    "one_reading",
    HOLD,
    "chosen_is_elsewhere",
    day(readings=two, observations=with_notes(note("use_reading", "999", 3))),
    "not placed on it",
)
spoiled("one_reading", HOLD, "conflict", day(**read(3, "407", conflict=True)), "sent twice")
spoiled(
    "reading_time", HOLD, "ambiguous", day(**read(3, "407", time_note="ambiguous")), "occurs twice"
)
spoiled(
    "reading_time",
    CAUTION,
    "nonexistent",
    day(**read(3, "407", time_note="nonexistent")),
    "does not exist",
    "IANA time zone database",
)
spoiled("reading_time", PASS, "missing", day(**read(3, "407", time_note="missing")), "no time")
spoiled("reading_unit", HOLD, "none", day(**read(3, "407", unit=None)), "has no unit")
spoiled(
    "reading_unit",
    HOLD,
    "not_convertible",
    day(**read(3, "407", basis="N")),
    "cannot be turned into mg/L O2",
)
spoiled(
    "reading_unit",
    PASS,
    "converted",
    day(**read(3, "0.407", unit="g/L")),
    "factor 1000",
    "SI: 1 g/L = 1000 mg/L",
)

# --- dilution --------------------------------------------------------------------------------

spoiled(
    "dilution_once",
    HOLD,
    "factors_differ",
    day(**read(4, "148", dilution=Decimal(5))),
    "factor of 10, the instrument states 5",
)
spoiled(
    "dilution_once",
    HOLD,
    "applied_or_not",
    day(**read(4, "148", dilution_applied=None)),
    "whether the instrument has applied the factor",
)
spoiled(
    "dilution_once",
    HOLD,
    "applied_which",
    day(**read(4, "1480", dilution_applied=True)),
    "which factor the instrument applied",
)
spoiled(
    "dilution_once",
    REFUSE,
    "below_one",
    day(**read(4, "148", dilution=Decimal("0.1"))),
    "0.1 for tube 4 is impossible",
    "a dilution cannot concentrate: arithmetic",
)
spoiled(
    "dilution_once",
    REFUSE,
    "planned_below_one",
    day(run=with_tube(4, dilution=diluted("0.5"))),
    "0.5 for tube 4 is impossible",
    "a dilution cannot concentrate: arithmetic",
)
spoiled(
    "dilution_once",
    HOLD,
    "unreadable",
    day(observations=with_notes(note("dilution", "a bit", 4))),
    "note the dilution again",
)
spoiled(
    "dilution_once",
    PASS,
    "applied_already",
    day(**read(4, "1480", dilution=Decimal(10), dilution_applied=True)),
    "is not applied again",
)

# --- the number itself -----------------------------------------------------------------------

spoiled("possible_value", REFUSE, "negative", day(**read(3, "-31")), "-31 mg/L")
spoiled(
    "possible_value",
    REFUSE,
    "absorbance",
    day(**read(3, "407", absorbance=Decimal("-0.2"))),
    "-0.2",
)
spoiled("measuring_range", PASS, "inside", day(), "inside 15 to 1500 mg/L")
spoiled("measuring_range", PASS, "below", day(**read(3, "9")), "stated as < 15 mg/L")
spoiled("measuring_range", CAUTION, "below_diluted", day(**read(4, "9")), "stated as < 150 mg/L")
spoiled("measuring_range", PASS, "token_below", day(**read(3, "<15")), "stated as < 15 mg/L")
spoiled("measuring_range", PASS, "token_bare", day(**read(3, "<")), "stated as < 15 mg/L")
spoiled("measuring_range", PASS, "token_weaker", day(**read(3, "<20")), "stated as < 20 mg/L")
spoiled("measuring_range", HOLD, "above", day(**read(3, "1501")), "> 1500 mg/L in the sample")
spoiled("measuring_range", HOLD, "token_above", day(**read(3, ">")), "at least 2 (1+1)")
spoiled(
    "measuring_range",
    HOLD,
    "above_diluted",
    day(**read(4, ">1500")),
    "> 15000 mg/L in the sample. Repeat at a factor of at least 20 (1+19)",
)
spoiled("measuring_range", HOLD, "token_claims_less", day(**read(3, ">1000")), "> 1000 mg/L")
spoiled(
    "measuring_range",
    HOLD,
    "above_expected",
    day(run=with_tube(3, expected=Decimal(6000)), **read(3, ">1500")),
    "Expected 6000 mg/L: repeat at a factor of 5 (1+4), about 1200 mg/L",
)
spoiled(
    "measuring_range",
    HOLD,
    "above_with_chloride",
    day(**read(3, ">1500"), **samples(chloride_mg_l=Decimal(30000))),
    "at least 20 (1+19); chloride alone asks for 15",
)
spoiled(
    "measuring_range",
    CAUTION,
    "below_quantification",
    day(**method(quantification_limit=Decimal(30)), **read(3, "22")),
    "below the quantification limit of 30 mg/L",
)
spoiled(
    "measuring_range",
    PASS,
    "quantification_printed",
    day(**method(quantification_limit=Decimal(30), below_is="quantification"), **read(3, "22")),
    "stated as < 30 mg/L",
)
spoiled(
    "measuring_range",
    HOLD,
    "no_lower_limit",
    day(**method(range_low=Decimal(0)), **read(3, "-3")),
    "states no lower limit",
)

# --- kit lot ---------------------------------------------------------------------------------

spoiled("kit_lot_in_date", PASS, "good", day(), "in date until 2027-01-31")
spoiled("kit_lot_in_date", HOLD, "none", day(run=with_tube(3, lot="")), "has no kit lot")
spoiled("kit_lot_in_date", HOLD, "unknown", day(run=with_tube(3, lot="K9")), "not on record")
spoiled(
    "kit_lot_in_date",
    HOLD,
    "expired",
    day(lots={"K2601": replace(LOT, expires=date(2026, 3, 1))}),
    "expired on 2026-03-01, the run is of 2026-03-02",
)
spoiled(
    "kit_lot_in_date",
    PASS,
    "expires_today",
    day(lots={"K2601": replace(LOT, expires=date(2026, 3, 2))}),
    "in date until 2026-03-02",
)
spoiled(
    "kit_lot_in_date",
    REFUSE,
    "other_method",
    day(lots={"K2601": replace(LOT, method="nh4")}),
    "is of method nh4",
)
spoiled(
    "kit_lot_in_date",
    REFUSE,
    "produced_after_expiry",
    day(lots={"K2601": replace(LOT, produced=date(2027, 2, 1))}),
    "after its expiry 2027-01-31",
)
spoiled(
    "kit_lot_in_date",
    REFUSE,
    "produced_after_run",
    day(lots={"K2601": replace(LOT, produced=date(2026, 3, 3))}),
    "after the run of 2026-03-02",
)
spoiled(
    "kit_lot_box_count",
    CAUTION,
    "oversold",
    day(lot_use={"K2601": 101}),
    "5 x 20 = 100 were bought",
)

# --- turbidity, homogenisation, chloride -----------------------------------------------------

clock = NOTES[:2]
spoiled("tube_clear", PASS, "clear", day(), "was clear")
spoiled("tube_clear", HOLD, "not_noted", day(observations=clock), "Nobody noted")
spoiled(
    "tube_clear",
    REFUSE,
    "turbid",
    day(observations=with_notes(note("turbidity", "turbid", 3))),
    "whichever way it leans",
)
spoiled(
    "tube_clear",
    PASS,
    "measured_clear",
    day(observations=with_notes(note("turbidity", "5", 3))),
    "5 NTU, not above 5 NTU",
)
spoiled(
    "tube_clear",
    REFUSE,
    "measured_turbid",
    day(observations=with_notes(note("turbidity", "5.1", 3))),
    "5.1 NTU, above 5 NTU",
)
spoiled(
    "tube_clear",
    HOLD,
    "measured_without_limit",
    day(**method(turbidity_limit_ntu=None), observations=with_notes(note("turbidity", "1", 3))),
    "states no limit",
)
spoiled(
    "readable_note",
    HOLD,
    "word_instead_of_number",
    day(observations=with_notes(note("turbidity", "cloudy", 3))),
    "'cloudy' is not a number",
)
spoiled(
    "readable_note",
    HOLD,
    "instant_without_offset",
    day(observations=with_notes(note("digestion_end", "2026-03-02T09:20:00", 3))),
    "has no offset",
)
spoiled(
    "homogenised",
    CAUTION,
    "no",
    day(observations=with_notes(note("homogenised", "no", 3))),
    "was not homogenised",
)
spoiled(
    "homogenised",
    PASS,
    "yes",
    day(observations=with_notes(note("homogenised", "yes", 3))),
    "was homogenised",
)
spoiled(
    "interferent_in_tube",
    PASS,
    "within_after_dilution",
    day(
        run=with_tube(3, dilution=diluted("10")),
        samples=samples()["samples"] | {"W-101": sample("W-101", chloride_mg_l=Decimal(20000))},
    ),
    "Chloride in tube 3 is 2000 mg/L, within 2000 mg/L",
)
spoiled(
    "interferent_in_tube",
    HOLD,
    "above",
    day(**samples(chloride_mg_l=Decimal(2100))),
    "2100 mg/L (2100 mg/L in the sample at a dilution factor of 1), above 2000 mg/L",
)
iso15705 = replace(COD.interferents[0], tolerance=Decimal(1000))
spoiled(
    "interferent_in_tube",
    HOLD,
    "above_scope_of_the_standard",
    day(**method(interferents=(iso15705,)), **samples(chloride_mg_l=Decimal(1001))),
    "above 1000 mg/L",
    "ISO 15705:2002, scope: chloride up to 1000 mg/L",
)
spoiled(
    "interferent_in_tube",
    PASS,
    "note_beats_sample",
    day(
        **samples(chloride_mg_l=Decimal(9000)),
        observations=with_notes(*(note("chloride", "900", p, number=9) for p in range(1, 7))),
    ),
    "is 900 mg/L",
)
spoiled(
    "interferent_in_tube",
    HOLD,
    "unknown_in_saline",
    day(**samples(chloride_mg_l=None, matrix="saline")),
    "its matrix is saline",
)
spoiled(
    "interferent_in_tube",
    HOLD,
    "unknown_at_saline_point",
    day(
        **samples(chloride_mg_l=None, matrix=""),
        points={"inlet": SamplingPoint(code="inlet", matrix="saline")},
    ),
    "its matrix is saline",
)
spoiled(
    "interferent_in_tube",
    PASS,
    "unknown_elsewhere",
    day(**samples(chloride_mg_l=None)),
    "is not one where",
)

nitrite = method(
    interferents=(
        *COD.interferents,
        replace(COD.interferents[0], name="nitrite", tolerance=Decimal(2)),
    )
)
spoiled(
    "interferent_in_tube",
    PASS,
    "nitrite_within",
    day(**nitrite, **samples(interferents={"nitrite": Decimal(2)})),
    "Nitrite in tube 3 is 2 mg/L, within 2 mg/L",
)
spoiled(
    "interferent_in_tube",
    HOLD,
    "nitrite_above",
    day(**nitrite, **samples(interferents={"nitrite": Decimal(3)})),
    "Nitrite in tube 3 is 3 mg/L (3 mg/L in the sample at a dilution factor of 1)",
)
spoiled("interferent_in_tube", PASS, "nitrite_unknown", day(**nitrite), "Nitrite of sample")

# --- digestion and its clock -----------------------------------------------------------------


def digested(minutes: int, *more: Any) -> dict[str, Any]:
    start = note("digestion_start", (DIGESTED - timedelta(minutes=minutes)).isoformat(), number=1)
    return {"observations": (start, *NOTES[1:], *more)}


spoiled("digestion_program", PASS, "good", day(), "120 min by standard (120 ± 10 min)")
spoiled(
    "digestion_program",
    HOLD,
    "unnamed_of_two",
    day(run=replace(RUN, program="")),
    "names no digestion program",
)
spoiled(
    "digestion_program",
    HOLD,
    "unknown_program",
    day(run=replace(RUN, program="overnight")),
    "has standard, fast",
)
spoiled(
    "digestion_program",
    PASS,
    "only_program_needs_no_name",
    day(run=replace(RUN, program=""), **method(programs=COD.programs[:1])),
    "by standard",
)
spoiled("digestion_program", HOLD, "no_end", day(observations=NOTES[::2]), "The end of the")
spoiled("digestion_program", HOLD, "no_start", day(observations=NOTES[1:]), "The start of the")
epa = "EPA Method 410.4 rev. 2.0 (1993): 150 °C for 2 h; 10 min tolerance of ISO 15705 from memory"
spoiled("digestion_program", PASS, "long_enough", day(**digested(110)), "110 min", epa)
spoiled("digestion_program", HOLD, "too_short", day(**digested(109)), "too short", epa)
spoiled("digestion_program", PASS, "not_too_long", day(**digested(130)), "130 min", epa)
spoiled("digestion_program", HOLD, "too_long", day(**digested(131)), "too long", epa)
spoiled(
    "digestion_program",
    PASS,
    "warm_enough",
    day(**digested(120, note("block_temperature", "145"))),
    "at 145 °C",
)
spoiled(
    "digestion_program",
    HOLD,
    "too_cold",
    day(**digested(120, note("block_temperature", "144.9"))),
    "too cold",
)
spoiled(
    "digestion_program",
    HOLD,
    "too_hot",
    day(**digested(120, note("block_temperature", "151.1"))),
    "too hot",
)


def after_digestion(minutes: int) -> dict[str, Any]:
    return read(3, "407", measured_at=DIGESTED + timedelta(minutes=minutes))


spoiled("cooling_time", PASS, "just_cool", day(**after_digestion(10)), "10 min after the end")
spoiled("cooling_time", HOLD, "hot", day(**after_digestion(9)), "still hot")
spoiled("cooling_time", PASS, "just_in_time", day(**after_digestion(240)), "240 min after")
spoiled("cooling_time", HOLD, "late", day(**after_digestion(241)), "too late")
spoiled("cooling_time", HOLD, "before_end", day(**after_digestion(-5)), "5 min before the end")
spoiled("cooling_time", HOLD, "end_not_noted", day(observations=NOTES[::2]), "is not noted")
spoiled(
    "cooling_time",
    PASS,
    "one_sided",
    day(**method(cooling_max=None), **after_digestion(900)),
    "inside >= 10 min",
)

react = method(programs=(), reaction_min=Decimal(15), reaction_max=Decimal(30))
added = note("reagent_added", DIGESTED.isoformat(), number=4)
spoiled("reaction_time", HOLD, "not_noted", day(**react), "time of the reagent of tube")
every = {
    p: (reading(p, t, measured_at=DIGESTED + timedelta(minutes=20)),)
    for p, t in {1: "1", 2: "503", 3: "407", 4: "148", 5: "62", 6: "64"}.items()
}
for name, minutes, verdict, says in (
    ("developed", 15, PASS, "15 min after the reagent"),
    ("early", 14, HOLD, "had not developed"),
    ("faded", 31, HOLD, "too late (15 to 30 min)"),
    ("before", -1, HOLD, "1 min before the reagent"),
):
    at = DIGESTED + timedelta(minutes=minutes)
    spoiled(
        "reaction_time",
        verdict,
        name,
        day(
            **react,
            observations=with_notes(added),
            readings=every | {3: (reading(3, "407", measured_at=at),)},
        ),
        says,
    )

# --- fast digestion --------------------------------------------------------------------------

fast_run = replace(RUN, program="fast")
fast_notes = digested(30)["observations"]
pairs = tuple(
    DigestionPair(sample=f"P-{n}", standard=Decimal(s), fast=Decimal(f))
    for n, (s, f) in enumerate(
        (
            ("80", "81"), ("150", "148"), ("240", "243"), ("390", "388"), ("520", "523"),
            ("700", "696"), ("880", "884"), ("1100", "1095"), ("1250", "1256"), ("1400", "1397"),
        )
    )
)  # fmt: skip
COMPARISON = DigestionComparison(
    name="fast-2026",
    method="cod-high",
    program="fast",
    matrix="Waste water",
    pairs=pairs,
    valid_from=date(2026, 1, 1),
    valid_until=date(2026, 12, 31),
)


def fast_day(*comparisons: DigestionComparison, **changes: Any) -> RunFacts:
    return day(run=fast_run, observations=fast_notes, comparisons=comparisons, **changes)


spoiled("fast_digestion", PASS, "admitted", fast_day(COMPARISON), "admits fast for waste water")
spoiled("fast_digestion", HOLD, "none", fast_day(), "No comparison on record")
spoiled(
    "fast_digestion",
    HOLD,
    "run_out",
    fast_day(replace(COMPARISON, valid_until=date(2026, 3, 1))),
    "No comparison on record",
)
spoiled(
    "fast_digestion",
    HOLD,
    "other_matrix",
    fast_day(replace(COMPARISON, matrix="landfill leachate")),
    "No comparison on record",
)
spoiled(
    "fast_digestion",
    HOLD,
    "matrix_unknown",
    fast_day(COMPARISON, **samples(matrix="")),
    "matrix of sample W-101 is not known",
)
spoiled(
    "fast_digestion",
    HOLD,
    "not_equivalent",
    fast_day(
        replace(
            COMPARISON,
            pairs=tuple(replace(p, fast=p.standard * Decimal("0.8")) for p in pairs),
        )
    ),
    "does not show that fast is equivalent",
)
spoiled(
    "fast_digestion",
    HOLD,
    "too_few",
    fast_day(replace(COMPARISON, pairs=pairs[:2])),
    "shows nothing",
)

# --- holding time ----------------------------------------------------------------------------

preserved: dict[str, Any] = {"preservation": "sulfuric acid, pH < 2"}
cfr = "40 CFR 136.3(e) Table II: COD 28 d, cooled and acidified"


def taken(hours: float, **changes: Any) -> dict[str, Any]:
    return samples(sampled_at=START - timedelta(hours=hours), **changes)


spoiled("holding_time", PASS, "on_the_limit", day(**taken(24)), "24 h after sampling")
spoiled("holding_time", HOLD, "over", day(**taken(24.01)), "beyond 24 h (not preserved)")
spoiled("holding_time", PASS, "28_days", day(**taken(28 * 24, **preserved)), "672 h", cfr)
spoiled(
    "holding_time", HOLD, "28_days_over", day(**taken(28 * 24 + 1, **preserved)), "beyond", cfr
)
spoiled(
    "holding_time",
    HOLD,
    "preserved_too_late",
    day(**taken(50, **preserved, preserved_at=START - timedelta(hours=25))),
    "(preserved too late)",
)
spoiled(
    "holding_time",
    HOLD,
    "preserved_otherwise",
    day(**taken(50, preservation="frozen")),
    "(not preserved by sulfuric acid)",
)
spoiled(
    "holding_time",
    PASS,
    "ends_at_preparation",
    day(run=replace(RUN, prepared_at=START - timedelta(hours=20)), **taken(40)),
    "20 h after sampling",
)
spoiled("holding_time", CAUTION, "unknown", day(**samples(sampled_at=None)), "is not known")
spoiled("holding_time", HOLD, "reversed", day(**taken(-1)), "after it was prepared")

# --- people and instruments ------------------------------------------------------------------

skilled = method(competence_required=True)
able = Competence(person="Meera", method="cod-high", until=date(2026, 3, 2))
spoiled("competence", PASS, "valid", day(**skilled, competences=(able,)), "until 2026-03-02")
spoiled("competence", HOLD, "none", day(**skilled), "is not on record")
spoiled(
    "competence",
    HOLD,
    "run_out",
    day(**skilled, competences=(replace(able, until=date(2026, 3, 1)),)),
    "ran out on 2026-03-01",
)
spoiled(
    "competence", HOLD, "nobody", day(run=replace(RUN, analyst=""), **skilled), "names no analyst"
)
spoiled("instrument_verification", PASS, "in_date", day(), "in date until 2026-09-30")
spoiled(
    "instrument_verification",
    HOLD,
    "overdue",
    day(instruments={"meter-1": replace(METER, verification_due=date(2026, 3, 1))}),
    "was due on 2026-03-01",
)
spoiled("instrument_verification", CAUTION, "unknown", day(instruments={}), "No day is kept")

# A line's readings arrive as they are made, so both ways show; of exports only a clock ahead.
spoiled("instrument_clock", PASS, "within", day(prompt_forms=frozenset({""})), "allowed")


def clock_off_by(minutes: int) -> dict[int, tuple[StoredReading, ...]]:
    off = timedelta(minutes=minutes)
    return {
        position: tuple(replace(one, arrived_at=one.measured_at - off) for one in group)
        for position, group in readings().items()
    }


spoiled("instrument_clock", CAUTION, "ahead", day(readings=clock_off_by(61)), "1 h 1 min ahead of")
spoiled(
    "instrument_clock",
    CAUTION,
    "behind",
    day(readings=clock_off_by(-12), prompt_forms=frozenset({""})),
    "12 min behind",
)

# --- blanks ----------------------------------------------------------------------------------

spoiled("blank", PASS, "low", day(), "is 1 mg/L, not above 15 mg/L")
spoiled("blank", HOLD, "high", day(**shown({1: "16"})), "is 16 mg/L, above 15 mg/L")
spoiled("blank", HOLD, "very_negative", day(**shown({1: "-16"})), "-16 mg/L")
spoiled("blank", HOLD, "over_range", day(**shown({1: ">"})), "reads above the range")
spoiled("blank", PASS, "token", day(**shown({1: "<10"})), "< 10 mg/L")
strict = method(limits=replace(COD.limits, blank_max=Decimal(8)))
spoiled("blank", CAUTION, "token_open", day(**strict, **shown({1: "<10"})), "cannot be seen")
spoiled(
    "blank", HOLD, "of_expired_lot",
    day(
        run=with_tube(1, lot="K2500"),
        lots={"K2601": LOT, "K2500": replace(LOT, lot="K2500", expires=date(2026, 1, 1))},
    ),
    "cannot be used",
)  # fmt: skip
needs_lot = method(needs=(ControlNeed(role=Role.BLANK, accept=("tube", "lot")), *COD.needs[1:]))
lot_blank = {"K2601": replace(LOT, blank_value=Decimal(4))}
spoiled(
    "blank",
    HOLD,
    "lot_value_high",
    day(**needs_lot, lots={"K2601": replace(LOT, blank_value=Decimal(20))}),
    "above 15 mg/L",
)
spoiled("blank", PASS, "lot_value", day(**needs_lot, lots=lot_blank), "of lot K2601 is 4 mg/L")

ours = method(blank_in_instrument=False)
spoiled("blank_subtracted", PASS, "tube", day(**ours), "A blank of 1 mg/L is subtracted")
spoiled(
    "blank_subtracted",
    PASS,
    "lot",
    day(**ours, run=replace(RUN, tubes=TUBES[1:]), lots=lot_blank),
    "A blank of 4 mg/L is subtracted",
)
spoiled(
    "blank_subtracted",
    HOLD,
    "blank_over_range",
    day(**ours, **shown({1: ">"})),
    "no usable number",
)
coloured = replace(RUN, tubes=(*TUBES, tube(7, Role.COLOUR_BLANK, "W-101 colour", sample="W-101")))
spoiled(
    "blank_subtracted",
    PASS,
    "colour",
    day(run=coloured, **shown({7: "30"})),
    "The colour blank of sample W-101, 30 mg/L",
)
spoiled("blank_subtracted", PASS, "no_colour", day(run=coloured, **shown({7: "<15"})), "0 mg/L")
spoiled(
    "blank_subtracted",
    HOLD,
    "colour_over_range",
    day(run=coloured, **shown({7: ">"})),
    "cannot be used",
)

# --- control standards -----------------------------------------------------------------------


def certificate(**changes: Any) -> dict[str, Any]:
    return {"standards": {"S77": replace(STANDARD, **changes)}}


spoiled("control_standard", PASS, "good", day(), "found 503 of 500 mg/L, 100.6 %")
spoiled("control_standard", PASS, "on_the_limit", day(**shown({2: "450"})), "90 %")
spoiled("control_standard", HOLD, "low", day(**shown({2: "449"})), "89.8 %, outside 90 to 110 %")
spoiled("control_standard", HOLD, "high", day(**shown({2: "551"})), "110.2 %")
spoiled(
    "control_standard",
    PASS,
    "prepared_diluted",
    day(**certificate(value=Decimal(10000), preparation_factor=Decimal(20))),
    "of 500 mg/L",
)
spoiled(
    "control_standard",
    PASS,
    "certificate_in_grams",
    day(**certificate(value=Decimal("0.5"), unit="g/L", expanded_uncertainty=Decimal(0))),
    "of 500 mg/L",
    "SI: 1 g/L = 1000 mg/L",
)
spoiled(
    "control_standard",
    CAUTION,
    "wide_certificate",
    day(**certificate(expanded_uncertainty=Decimal(60))),
    "no better than ± 12 %",
)
spoiled(
    "control_standard",
    CAUTION,
    "inside_certificate_only",
    day(**certificate(expanded_uncertainty=Decimal(60)), **shown({2: "445"})),
    "outside 90 to 110 % but inside the certificate",
)
spoiled(
    "control_standard",
    CAUTION,
    "from_the_calibrations_stock",
    day(**method(calibration="curve")),
    "is not independent of calibration curve",
)
spoiled(
    "control_standard",
    PASS,
    "independent_of_calibration",
    day(**method(calibration="curve"), **certificate(independent=True)),
    "inside 90 to 110 %",
)
spoiled("control_standard", HOLD, "unknown", day(standards={}), "is not on record")
spoiled(
    "control_standard",
    HOLD,
    "expired",
    day(**certificate(expires=date(2026, 3, 1))),
    "expired on 2026-03-01",
)
spoiled(
    "control_standard",
    HOLD,
    "other_analyte",
    day(**certificate(analyte="nitrate")),
    "is of nitrate",
)
spoiled(
    "control_standard", HOLD, "other_basis", day(**certificate(basis="N")), "cannot be turned into"
)
spoiled("control_standard", HOLD, "below_range", day(**shown({2: "9"})), "outside the measuring")
spoiled("control_standard", HOLD, "over_range", day(**shown({2: ">1500"})), "cannot be used")

# --- duplicates and replicates ---------------------------------------------------------------

epa_rpd = "relative percent difference as EPA practice has it; figures computed"
spoiled("duplicate", PASS, "floor", day(), "within the floor of 5 mg/L")
spoiled("duplicate", PASS, "agree", day(**shown({5: "500", 6: "540"})), "7.692 %", epa_rpd)
spoiled("duplicate", PASS, "rpd_100_110", day(**shown({5: "100", 6: "110"})), "9.524 %", epa_rpd)
spoiled("duplicate", CAUTION, "caution", day(**shown({5: "500", 6: "560"})), "11.32 %", epa_rpd)
spoiled("duplicate", HOLD, "hold", day(**shown({5: "500", 6: "590"})), "16.51 %", epa_rpd)
spoiled("duplicate", PASS, "both_below", day(**shown({5: "<15", 6: "9"})), "both below")
spoiled("duplicate", CAUTION, "one_below", day(**shown({5: "<15", 6: "17"})), "do not contradict")
spoiled("duplicate", HOLD, "one_far_below", day(**shown({5: "<15", 6: "40"})), "further apart")
spoiled(
    "duplicate",
    HOLD,
    "one_turbid",
    day(observations=with_notes(note("turbidity", "turbid", 6))),
    "cannot be used",
)
spoiled("duplicate", HOLD, "no_value", day(**read(6, "64", value=None)), "have no values")

twins = replace(RUN, tubes=(*TUBES, tube(7, Role.SAMPLE, "W-101 b", sample="W-101")))
triplet = replace(twins, tubes=(*twins.tubes, tube(8, Role.SAMPLE, "W-101 c", sample="W-101")))
spoiled("replicates", PASS, "two", day(run=twins, **shown({7: "409"})), "floor")
spoiled("replicates", CAUTION, "two_apart", day(run=twins, **shown({7: "455"})), "above 10 %")
spoiled("replicates", HOLD, "two_far_apart", day(run=twins, **shown({7: "500"})), "above 15 %")
spoiled("replicates", PASS, "three", day(run=triplet, **shown({7: "409", 8: "405"})), "agree")
spoiled(
    "replicates",
    CAUTION,
    "three_scatter",
    day(run=triplet, **shown({7: "500", 8: "300"})),
    "poor homogenisation",
)
series = replace(
    triplet,
    tubes=(*triplet.tubes[:-1], replace(triplet.tubes[-1], dilution=diluted("5"))),
)
spoiled(
    "replicates",
    CAUTION,
    "dilutions_disagree",
    day(run=series, **shown({7: "410", 8: "130"})),
    "point to an interference",
)
many = replace(
    RUN,
    tubes=(*TUBES, *(tube(p, Role.SAMPLE, f"W-101 {p}", sample="W-101") for p in range(11, 18))),
)
uranium = {3: "199", 11: "201", 12: "202", 13: "200", 14: "198", 15: "201", 16: "199", 17: "246"}
spoiled(
    "outlier",
    CAUTION,
    "stands_out",
    day(run=many, **shown(uranium)),
    "Tube 17 of sample W-101",
    "NIST/SEMATECH e-Handbook 1.3.5.17.1, critical 2.127 for n = 8",
)

three_pairs = replace(
    RUN,
    tubes=(
        *TUBES,
        tube(7, Role.DUPLICATE, "W-101 dup", sample="W-101"),
        tube(8, Role.DUPLICATE, "W-102 dup", sample="W-102", dilution=diluted("10")),
    ),
)
cochran = "ISO 5725-2, 7.3.3: largest share of three variances, critical 0.967 at 5 %"
spoiled(
    "uneven_pair",
    CAUTION,
    "one_of_three",
    day(run=three_pairs, **shown({5: "500", 6: "560", 7: "408", 8: "149"})),
    "The pair of sample W-103 holds",
    cochran,
)
spoiled(
    "duplicate",
    HOLD,
    "dilutions_disagree",
    day(run=with_tube(6, dilution=diluted("10")), **shown({5: "500", 6: "62"})),
    "Dilutions that do not agree point to an interference",
)

# --- spikes ----------------------------------------------------------------------------------

spiked = replace(
    RUN,
    tubes=(*TUBES, tube(7, Role.SPIKE, "W-101 s", sample="W-101", spike_added=Decimal(200))),
)
matrix = "100 (spiked - unspiked) / added; fourfold waiver of EPA practice from memory"
spoiled("spike_recovery", PASS, "found", day(run=spiked, **shown({7: "597"})), "95 %", matrix)
spoiled("spike_recovery", HOLD, "lost", day(run=spiked, **shown({7: "566"})), "79.5 %", matrix)
spoiled("spike_recovery", HOLD, "gained", day(run=spiked, **shown({7: "648"})), "120.5 %", matrix)
spoiled(
    "spike_recovery",
    CAUTION,
    "drowned",
    day(run=spiked, **shown({3: "900", 7: "950"})),
    "more than four times",
    matrix,
)
spoiled(
    "spike_recovery",
    CAUTION,
    "sample_below",
    day(run=spiked, **shown({3: "<15", 7: "174"})),
    "between 79.5 and 87 %",
    matrix,
)
spoiled(
    "spike_recovery",
    HOLD,
    "over_range",
    day(run=spiked, **shown({7: ">1500"})),
    "cannot be used",
    matrix,
)
spoiled(
    "spike_recovery",
    CAUTION,
    "not_stated",
    day(
        run=replace(spiked, tubes=(*TUBES, replace(spiked.tubes[-1], spike_added=None))),
        **shown({7: "597"}),
    ),
    "is not stated",
)
spoiled(
    "spike_recovery",
    HOLD,
    "no_value",
    day(run=spiked, readings={**readings(), 7: (reading(7, "597", value=None),)}),
    "no numbers to compare",
)


def spiked_with(amount: str) -> dict[str, Any]:
    added = replace(spiked.tubes[-1], spike_added=Decimal(amount))
    return {"run": replace(spiked, tubes=(*TUBES, added))}


spoiled(
    "spike_recovery",
    PASS,
    "published_96",
    day(**spiked_with("100"), **shown({3: "52", 7: "148"})),
    "96 % was found",
    "100 (spiked - unspiked) / added, EPA practice; 52.0 and 148.0 give 96.0 %, computed",
)
spoiled(
    "spike_recovery",
    CAUTION,
    "published_24",
    day(**spiked_with("5"), **shown({3: "60", 7: "61.2"})),
    "24 % was found",
    "100 (spiked - unspiked) / added, EPA practice; 60.0 and 61.2 give 24.0 %, computed; "
    "waived above four times the spike, from memory",
)

# --- completeness ----------------------------------------------------------------------------

closed = with_notes(note("closed", "power cut", number=50))
no_blank = replace(RUN, tubes=TUBES[1:])
spoiled(
    "controls_complete",
    HOLD,
    "closed_without_blank",
    day(run=no_blank, observations=closed),
    "closed (power cut) without a blank per run",
)
zeroing = method(needs=(ControlNeed(role=Role.BLANK, accept=("zeroing",)), *COD.needs[1:]))
spoiled(
    "controls_complete",
    PASS,
    "zeroing",
    day(run=no_blank, **zeroing, observations=with_notes(note("zeroing", "on water"))),
    "zeroing of the instrument is attested (on water)",
)
spoiled(
    "controls_complete",
    PASS,
    "lot_value",
    day(run=no_blank, **needs_lot, lots=lot_blank),
    "stands for the blank",
)
daily = method(needs=(ControlNeed(role=Role.BLANK, per="day"), *COD.needs[1:]))
met = ControlElsewhere(
    role=Role.BLANK, run="R-0", started_at=START - timedelta(hours=6), lot="K2601", passed=True
)
spoiled(
    "controls_complete",
    PASS,
    "met_that_day",
    day(run=no_blank, **daily, controls_elsewhere=(met,)),
    "was met in run R-0",
)

# --- charts ----------------------------------------------------------------------------------

CHART = ChartLimits(
    method="cod-high", kind="mean", level="S77", centre=Decimal(500), warning_low=Decimal(480),
    warning_high=Decimal(520), action_low=Decimal(470), action_high=Decimal(530),
)  # fmt: skip
limits = "limits at two and three standard deviations: ISO 7870-2:2013"


def history(*values: str, role: Role = Role.CONTROL_STANDARD) -> tuple[ControlPoint, ...]:
    return tuple(
        ControlPoint(
            run=f"R-{n}", position=2, role=role, at=START - timedelta(days=len(values) - n),
            instrument="meter-1", value=Decimal(v),
            nominal=Decimal(500) if role is Role.CONTROL_STANDARD else None,
        )
        for n, v in enumerate(values)
    )  # fmt: skip


def chart_day(found: str, *earlier: str, **changes: Any) -> RunFacts:
    chart = replace(CHART, **changes)
    return day(chart_limits=(chart,), control_history=history(*earlier), **shown({2: found}))


western = "Western Electric, Statistical Quality Control Handbook (1956)"
spoiled("control_chart", PASS, "inside", chart_day("520"), "inside the limits", limits)
spoiled("control_chart", CAUTION, "warning", chart_day("521"), "warning limit of 520", limits)
spoiled(
    "control_chart",
    PASS,
    "on_action",
    chart_day("530", warning_high=None),
    "inside the limits",
    limits,
)
spoiled("control_chart", HOLD, "action", chart_day("531"), "action limit of 530", limits)
spoiled("control_chart", HOLD, "action_low", chart_day("469"), "action limit of 470", limits)
spoiled(
    "control_chart",
    CAUTION,
    "eight_on_one_side",
    chart_day("503", "501", "502", "504", "501", "503", "502", "501"),
    "eight in a row on one side",
    western,
)
spoiled(
    "control_chart",
    CAUTION,
    "two_of_three",
    chart_day("520.5", "521", "500", warning_high=None),
    "two of three",
    western,
)
spoiled(
    "control_chart",
    PASS,
    "nominal_by_number",
    chart_day("503", level="500"),
    "inside the limits",
    limits,
)
spoiled(
    "control_chart",
    HOLD,
    "range",
    day(
        chart_limits=(
            replace(
                CHART,
                kind="range",
                level="",
                centre=Decimal(3),
                warning_low=None,
                warning_high=Decimal(7),
                action_low=None,
                action_high=Decimal(10),
            ),
        ),
        **shown({5: "500", 6: "560"}),
    ),
    "11.32 %, beyond the action limit of 10 %",
    limits,
)
spoiled(
    "control_chart",
    CAUTION,
    "blank",
    day(
        chart_limits=(
            replace(
                CHART,
                kind="blank",
                level="",
                centre=Decimal(1),
                warning_low=None,
                warning_high=Decimal(5),
                action_low=None,
                action_high=Decimal(9),
            ),
        ),
        **shown({1: "6"}),
    ),
    "beyond the warning limit of 5 mg/L",
    limits,
)

# --- calibration -----------------------------------------------------------------------------

CALIBRATION = Calibration(
    name="cod-2026",
    method="cod-high",
    points=tuple(
        CalibrationPoint(concentration=Decimal(c), absorbance=Decimal(a))
        for c, a in (("0", "0.000"), ("500", "0.200"), ("1000", "0.400"), ("1500", "0.600"))
    ),
    valid_from=date(2026, 1, 1),
    valid_until=date(2026, 12, 31),
)


def calibrated(position: int, text: str, absorbance: str, **changes: Any) -> RunFacts:
    in_force = {"cod-2026": replace(CALIBRATION, **changes)}
    return day(
        **method(calibration="cod-2026"),
        calibrations=in_force,
        **read(position, text, absorbance=Decimal(absorbance)),
    )


iso8466 = "ISO 8466-1 (line through the points; here exact by construction)"
spoiled("calibration", PASS, "agrees", calibrated(3, "407", "0.163"), "gives 407.5", iso8466)
spoiled(
    "calibration",
    HOLD,
    "other_method",
    calibrated(3, "407", "0.400"),
    "set to another method",
    iso8466,
)
spoiled(
    "calibration",
    HOLD,
    "run_out",
    calibrated(3, "407", "0.163", valid_until=date(2026, 3, 1)),
    "calibrate anew",
)
spoiled(
    "calibration",
    HOLD,
    "of_another_method",
    calibrated(3, "407", "0.163", method="nh4"),
    "is of nh4",
)
spoiled(
    "calibration",
    HOLD,
    "none_on_record",
    day(**method(calibration="lost"), **read(3, "407", absorbance=Decimal("0.163"))),
    "is not on record",
)
alone: dict[str, Any] = {"value": None, "unit": None, "absorbance": Decimal("0.163")}
spoiled(
    "calibration",
    HOLD,
    "absorbance_only",
    day(**read(3, "407", **alone)),
    "shows only an absorbance",
)
spoiled(
    "calibration",
    HOLD,
    "beyond_turning_point",
    day(
        **method(calibration="cod-2026"),
        calibrations={
            "cod-2026": replace(
                CALIBRATION,
                order=2,
                points=tuple(
                    CalibrationPoint(concentration=Decimal(c), absorbance=Decimal(a))
                    for c, a in (("0", "0"), ("500", "0.3"), ("1000", "0.5"), ("1500", "0.6"))
                ),
            )
        },
        **read(3, "407", absorbance=Decimal(2)),
    ),
    "gives no concentration",
    "ISO 8466-2",
)

# --- statement, sums, history ----------------------------------------------------------------

spoiled(
    "statement",
    REFUSE,
    "all_void",
    day(observations=with_notes(note("void", "dropped", 3))),
    "is void (dropped)",
)
spoiled(
    "statement",
    CAUTION,
    "mixed_mean",
    day(**shown({5: "<15", 6: "17"})),
    "between 8.5 and 16 mg/L",
)
spoiled("statement", HOLD, "no_number", day(**read(3, "407", value=None)), "shows no number")


def companion(analyte: str, value: str, fraction: str = "total", **changes: Any) -> SampleValue:
    return replace(
        SampleValue(
            sample="W-101", analyte=analyte, fraction=fraction, basis="O2", value=Decimal(value),
            censored="", unit="mg/L", uncertainty=None, at=START,
        ),
        **changes,
    )  # fmt: skip


parts = "a part is no larger than its whole; uncertainties in squares, JCGM 100 (GUM) 5.1.2"
spoiled("sum_check", PASS, "bod_fits", day(companions=(companion("BOD5", "210"),)), "fits", parts)
spoiled(
    "sum_check",
    CAUTION,
    "bod_exceeds",
    day(companions=(companion("BOD5", "500"),)),
    "exceed the whole",
    parts,
)
spoiled(
    "sum_check",
    PASS,
    "bod_within_uncertainty",
    day(companions=(companion("BOD5", "440"),)),
    "fits",
    parts,
)
spoiled(
    "sum_check",
    CAUTION,
    "filtered_exceeds",
    day(companions=(companion("COD", "480", "filtered", uncertainty=Decimal(10)),)),
    "COD (filtered) is 480 mg/L",
    parts,
)
spoiled(
    "sum_check",
    PASS,
    "filtered_below_limit",
    day(companions=(companion("COD", "480", "filtered", censored="<"),)),
    "is 0 mg/L",
    parts,
)


en = "E_n no larger than 1, ISO 13528 (from memory)"
spoiled(
    "earlier_result",
    PASS,
    "agrees",
    day(companions=(companion("COD", "440", uncertainty=Decimal(20)),)),
    "they agree",
    en,
)
spoiled(
    "earlier_result",
    CAUTION,
    "contradicts",
    day(companions=(companion("COD", "520", uncertainty=Decimal(20)),)),
    "is 407 mg/L here and 520 mg/L in another run, further apart",
    en,
)


def past(*values: str) -> tuple[SampleValue, ...]:
    return tuple(
        companion("COD", v, sample=f"V-{n}", point="inlet", at=START - timedelta(days=n + 1))
        for n, v in enumerate(values)
    )


z = "modified z score beyond 3.5: NIST/SEMATECH e-Handbook 1.3.5.17"
usual = ("400", "420", "390", "410", "405", "395", "415", "430")
spoiled(
    "point_history",
    PASS,
    "usual",
    day(
        run=replace(RUN, tubes=TUBES[:3]),
        **method(needs=COD.needs[:2]),
        point_history=past(*usual),
    ),
    "is usual for point inlet (median 407.5 mg/L over 8 results)",
    z,
)
spoiled(
    "point_history",
    CAUTION,
    "unusual",
    day(point_history=past(*usual), **shown({3: "900"})),
    "robust standard deviations away",
    z,
)
