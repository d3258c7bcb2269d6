"""The values that travel through ingestd, frozen, in the laboratory's own words.

Plan values (instruments, methods, lots, standards, samples, runs) are checked by pydantic where
they enter, with the constraints written beside each attribute; inside they are plain values.
Numbers are Decimal, instants are aware datetimes in UTC, days are dates.
"""

from collections.abc import Mapping
from dataclasses import field
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import AwareDatetime, ConfigDict, Field

from parsers.frozen import frozen

STRICT = ConfigDict(extra="forbid")

Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")]
Positive = Annotated[Decimal, Field(gt=0)]
NotNegative = Annotated[Decimal, Field(ge=0)]
Factor = Annotated[Decimal, Field(ge=1)]
Minutes = Annotated[Decimal, Field(ge=0)]


class Role(StrEnum):
    """What a tube is for."""

    SAMPLE = "sample"
    BLANK = "blank"
    COLOUR_BLANK = "colour_blank"
    CONTROL_STANDARD = "control_standard"
    DUPLICATE = "duplicate"
    SPIKE = "spike"


class Verdict(StrEnum):
    """A rule's answer, from harmless to final."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    CAUTION = "caution"
    HOLD = "hold"
    REFUSE = "refuse"


class State(StrEnum):
    """Where a result stands; the first four come from evaluation, the others from people."""

    AWAITING = "awaiting"
    ACCEPTED = "accepted"
    HELD = "held"
    REFUSED = "refused"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"
    SUPERSEDED = "superseded"


class PersonRole(StrEnum):
    """What a person may do; each includes the ones before it, save that admin does not release."""

    VIEWER = "viewer"
    ANALYST = "analyst"
    REVIEWER = "reviewer"
    ADMIN = "admin"


# --- plan: what is known before a reading arrives ------------------------------------------


@frozen
class Instrument:
    """A photometer.

    Attributes:
        names: the texts by which its exports name it, beside `name` and `serial`.
        time_zone: IANA zone of its clock; it prints wall time without zone.
        verification_due: last day on which its verification counts.
    """

    __pydantic_config__ = STRICT

    name: Name
    serial: str = ""
    names: tuple[Name, ...] = ()
    time_zone: str
    verification_due: date | None = None


@frozen
class DigestionProgram:
    """A block program: temperature in degrees C, time in minutes, tolerances both ways.

    `needs_comparison` marks a fast program: it counts only where a comparison on record shows
    equivalence for the sample's matrix.
    """

    __pydantic_config__ = STRICT

    name: Name
    temperature_c: Positive
    minutes: Positive
    tolerance_c: NotNegative = Decimal(3)
    tolerance_minutes: NotNegative = Decimal(10)
    needs_comparison: bool = False


@frozen
class Interferent:
    """What disturbs a method: highest concentration tolerated in the tube, after dilution."""

    __pydantic_config__ = STRICT

    name: Name
    tolerance: Positive
    unit: str = "mg/L"
    hold_if_unknown_in: tuple[str, ...] = ("saline",)


@frozen
class RoundingStep:
    """Round values below `below` (None: all the rest) to multiples of `to`."""

    __pydantic_config__ = STRICT

    below: Positive | None = None
    to: Positive


@frozen
class ControlNeed:
    """How often a method needs a control.

    Attributes:
        role: blank, control_standard, duplicate or spike.
        per: the span one control covers. `tubes` means one for every `tubes` sample tubes begun.
        accept: for blanks only: a "tube", the lot's own value ("lot"), an attested "zeroing".
    """

    __pydantic_config__ = STRICT

    role: Role
    per: Literal["run", "day", "kit_lot", "tubes"] = "run"
    tubes: Annotated[int, Field(ge=1)] | None = None
    accept: tuple[Literal["tube", "lot", "zeroing"], ...] = ("tube",)


@frozen
class ControlLimits:
    """Limits for the controls of a method; percent of the value unless the unit is named.

    Attributes:
        blank_max: highest acceptable blank in the method's unit.
        recovery_low, recovery_high: control standard found / nominal, percent, action limits.
        duplicate_caution, duplicate_hold: relative range of a pair, percent of its mean
            (95 % repeatability limit, and an action limit near 0.3 %).
        duplicate_floor: absolute difference in the method's unit below which a pair passes.
        spike_low, spike_high: spike recovery, percent.
        replicate_caution: relative standard deviation of more than two tubes, percent.
    """

    __pydantic_config__ = STRICT

    blank_max: NotNegative | None = None
    recovery_low: Positive = Decimal(90)
    recovery_high: Positive = Decimal(110)
    duplicate_caution: Positive = Decimal(10)
    duplicate_hold: Positive = Decimal(15)
    duplicate_floor: NotNegative = Decimal(0)
    spike_low: Positive = Decimal(80)
    spike_high: Positive = Decimal(120)
    replicate_caution: Positive = Decimal(10)


@frozen
class HoldingTime:
    """Longest time from sampling to preparation, hours; `preserved_hours` if preserved."""

    __pydantic_config__ = STRICT

    hours: Positive
    preserved_hours: Positive | None = None
    preservation: str = ""


@frozen
class Method:
    """A photometric tube test as the laboratory works it.

    Attributes:
        name: the laboratory's own short name, unique.
        printed_names: what instruments print for it, beside `name`.
        analyte, fraction, basis: what is determined, e.g. COD/total/O2, ammonium/filtered/N.
        unit: unit of `range_low`, `range_high`, `quantification_limit` and of its results.
        range_low, range_high: measuring range in the tube (before dilution is applied).
        quantification_limit: in the tube, None if the laboratory has none of its own.
        below_is: which of the two limits is printed after `<`.
        turbidity_check: a turbidity observation is demanded for each sample tube.
        turbidity_limit_ntu: highest turbidity that still counts as clear, if measured.
        cooling_min, cooling_max: minutes from end of digestion to reading.
        reaction_min, reaction_max: minutes from reagent to reading, methods without digestion.
        combine: the value of a sample with several tubes: their mean or its first planned tube.
        blank_in_instrument: the photometer has already subtracted the blank.
        calibration: name of the calibration that turns absorbance into concentration.
    """

    __pydantic_config__ = STRICT

    name: Name
    title: str = ""
    printed_names: tuple[Name, ...] = ()
    analyte: Name
    fraction: Literal["total", "filtered"] = "total"
    basis: str = ""
    unit: Name = "mg/L"
    range_low: NotNegative
    range_high: Positive
    quantification_limit: Positive | None = None
    below_is: Literal["range", "quantification"] = "range"
    sample_volume_ml: Positive = Decimal(2)
    wavelength_nm: Positive | None = None
    programs: tuple[DigestionProgram, ...] = ()
    cooling_min: Minutes | None = None
    cooling_max: Minutes | None = None
    reaction_min: Minutes | None = None
    reaction_max: Minutes | None = None
    turbidity_check: bool = False
    turbidity_limit_ntu: Positive | None = None
    interferents: tuple[Interferent, ...] = ()
    rounding: tuple[RoundingStep, ...] = ()
    combine: Literal["mean", "first"] = "mean"
    needs: tuple[ControlNeed, ...] = ()
    limits: ControlLimits = field(default_factory=ControlLimits)
    holding: HoldingTime | None = None
    blank_in_instrument: bool = True
    calibration: str | None = None
    competence_required: bool = False

    @property
    def label(self) -> str:
        """Analyte with fraction and basis, e.g. `ammonium, filtered, as N`."""
        parts = [self.analyte, self.fraction]
        if self.basis:
            parts.append(f"as {self.basis}")
        return ", ".join(parts)


@frozen
class KitLot:
    """A box of tubes of one lot; usable to the end of the day `expires`."""

    __pydantic_config__ = STRICT

    lot: Name
    method: Name
    expires: date
    produced: date | None = None
    determinations: Annotated[int, Field(ge=1)] | None = None
    boxes: Annotated[int, Field(ge=1)] = 1
    blank_value: Decimal | None = None


@frozen
class ControlStandard:
    """A control solution of one lot: certified `value` ± `expanded_uncertainty` (k = 2).

    `preparation_factor` is how far it was diluted when prepared (>= 1): nominal = value / factor.
    """

    __pydantic_config__ = STRICT

    lot: Name
    analyte: Name
    basis: str = ""
    value: Positive
    expanded_uncertainty: NotNegative = Decimal(0)
    unit: Name = "mg/L"
    expires: date
    preparation_factor: Factor = Decimal(1)
    independent: bool = False


@frozen
class SamplingPoint:
    """A place samples come from; `limits` by analyte label, in mg/L unless named."""

    __pydantic_config__ = STRICT

    code: Name
    name: str = ""
    matrix: str = ""
    limits: Mapping[str, Positive] = field(default_factory=dict)


@frozen
class Sample:
    """A sample as it came in.

    Attributes:
        chloride_mg_l: in the undiluted sample, None where nobody determined it.
        interferents: other known interferents by the name the method gives them, each in the
            unit of the method's tolerance, in the undiluted sample.
    """

    __pydantic_config__ = STRICT

    code: Name
    point: str = ""
    matrix: str = ""
    sampled_at: AwareDatetime | None = None
    preserved_at: AwareDatetime | None = None
    preservation: str = ""
    chloride_mg_l: NotNegative | None = None
    interferents: Mapping[str, NotNegative] = field(default_factory=dict)
    determine: tuple[str, ...] = ()


@frozen
class Competence:
    """A person may work a method until the end of a day."""

    __pydantic_config__ = STRICT

    person: Name
    method: Name
    until: date


@frozen
class Person:
    """An account with its roles."""

    __pydantic_config__ = STRICT

    account: Name
    roles: tuple[PersonRole, ...]
    full_name: str = ""
    active: bool = True


@frozen
class CalibrationPoint:
    """One calibration standard: concentration in the method's unit and its absorbance."""

    __pydantic_config__ = STRICT

    concentration: NotNegative
    absorbance: Decimal


@frozen
class Calibration:
    """The measured points of a calibration; the function is computed from them."""

    __pydantic_config__ = STRICT

    name: Name
    method: Name
    order: Literal[1, 2] = 1
    points: tuple[CalibrationPoint, ...]
    reagent_blank: Decimal | None = None
    valid_from: date
    valid_until: date


@frozen
class DigestionPair:
    """One sample digested by both programs, results in the method's unit."""

    __pydantic_config__ = STRICT

    sample: Name
    standard: NotNegative
    fast: NotNegative


@frozen
class DigestionComparison:
    """Paired digestions of one matrix that admit or bar a fast program for a time."""

    __pydantic_config__ = STRICT

    name: Name
    method: Name
    program: Name
    matrix: Name
    pairs: tuple[DigestionPair, ...]
    valid_from: date
    valid_until: date


@frozen
class DilutionStep:
    """How the laboratory makes a dilution step of one factor, with what glassware.

    Either the aliquot is made up to the mark of a flask, or diluent is added to it. Several may
    have one factor; then it is not known which was used, and the least certain counts.

    Attributes:
        factor: what the volumes give: flask / aliquot, or 1 + diluent / aliquot.
        aliquot_ml: sample taken, mL.
        aliquot_tolerance_ml, flask_tolerance_ml, diluent_tolerance_ml: ± mL as marked on the
            glassware, or found when it was last checked.
        flask_ml: volume at the mark. diluent_ml: volume added.
        shape: how volumes lie within the tolerance: near the nominal one rather than near its
            limits (triangular), or all alike (rectangular).
    """

    __pydantic_config__ = STRICT

    name: Name
    factor: Factor
    aliquot_ml: Positive
    aliquot_tolerance_ml: Positive
    flask_ml: Positive | None = None
    flask_tolerance_ml: Positive | None = None
    diluent_ml: Positive | None = None
    diluent_tolerance_ml: Positive | None = None
    shape: Literal["triangular", "rectangular"] = "triangular"


# --- the work: runs, tubes, observations -----------------------------------------------------


@frozen
class Dilution:
    """A total factor (>= 1) as written, with its steps (each >= 1)."""

    __pydantic_config__ = STRICT

    text: str
    factor: Factor
    steps: tuple[Factor, ...] = ()

    @property
    def factors(self) -> tuple[Decimal, ...]:
        """The factor of each step that dilutes; a total without steps is one step."""
        return tuple(factor for factor in self.steps or (self.factor,) if factor != 1)


UNDILUTED = Dilution(text="1", factor=Decimal(1))


@frozen
class Tube:
    """One position of a run.

    Attributes:
        label: the text by which an instrument names this tube; unique among tubes it could be.
        sample: code of the sample (roles sample, duplicate, spike, colour_blank), else "".
        standard: lot of the control standard (role control_standard).
        lot: kit lot of this tube.
        spike_added: concentration added, in the method's unit in the sample (role spike).
        expected: what the analyst expects, method's unit, undiluted sample.
        repeats: what result this tube repeats and why, in words; "" for none.
    """

    __pydantic_config__ = STRICT

    position: Annotated[int, Field(ge=1)]
    role: Role
    label: str = ""
    sample: str = ""
    standard: str = ""
    lot: str = ""
    dilution: Dilution = UNDILUTED
    spike_added: Positive | None = None
    expected: Positive | None = None
    repeats: str = ""


@frozen
class Run:
    """Tubes worked together by one method; belongs to the day it starts.

    Attributes:
        order: "by_name": readings are placed by their printed sample text; "in_sheet_order":
            the instrument carries none, a block of readings is proposed in the sheet's order.
    """

    __pydantic_config__ = STRICT

    name: Name
    method: Name
    started_at: AwareDatetime
    instrument: str = ""
    analyst: str = ""
    program: str = ""
    prepared_at: AwareDatetime | None = None
    order: Literal["by_name", "in_sheet_order"] = "by_name"
    tubes: tuple[Tube, ...]


ObservationKey = Literal[
    "turbidity",  # clear | turbid | a number in NTU
    "chloride",  # mg/L in the undiluted sample
    "digestion_start",
    "digestion_end",
    "reagent_added",
    "block",
    "block_temperature",  # degrees C
    "zeroing",  # attested: who zeroed on what
    "homogenised",  # yes | no
    "void",  # reason
    "use_reading",  # id of the reading that counts when a tube has several
    "dilution",  # correction of the planned dilution
    "lot",  # correction of the planned kit lot
    "closed",  # reason; run only: nothing more will come
]


@frozen
class Observation:
    """What a person or instrument noted about a tube, or about a whole run (`position` None).

    The newest of one key and tube counts; a tube's own beats the run's. `value` is the checked
    text: instants as ISO 8601 UTC, numbers as plain decimals.
    """

    id: int
    run: str
    position: int | None
    key: ObservationKey
    value: str
    at: datetime
    by: str


SCATTERED = 1
GROUPED = 2
"""How a ledger keeps the identities of readings: as digests that lie all over their index, as
every ledger made before there was a choice, or as digests that begin with what neighbours share.
In a ledger of ten million readings each scattered one has pages read and written that no other
arrival needs."""


@frozen
class StoredReading:
    """A reading as the ledger holds it; digits as printed, instant resolved to UTC.

    Attributes:
        time_note: "" | "ambiguous" (an hour that occurs twice) | "nonexistent" | "missing".
        measured_at: the printed wall time in UTC, or the arrival time where `time_note` is not
            "" and nothing better is known.
    """

    id: int
    capture: int
    instrument: str
    source: str
    method: str | None
    sample: str | None
    value: Decimal | None
    censored: Literal["", "<", ">"]
    unit: str | None
    basis: str | None
    measured_at: datetime
    arrived_at: datetime
    time_note: Literal["", "ambiguous", "nonexistent", "missing"] = ""
    absorbance: Decimal | None = None
    dilution: Decimal | None = None
    dilution_applied: bool | None = None
    conflict: bool = False
    raw: str = ""
    span: tuple[int, int] = (0, 0)
    form: str = ""


# --- judgement --------------------------------------------------------------------------------


@frozen
class Finding:
    """A rule's answer.

    Attributes:
        rule: name of the rule, e.g. `kit_lot_in_date`.
        position: the tube it speaks of, None for the run or the sample.
        observed, limit: as text with unit, "" where there is none.
        version: version of the rule, raised whenever its answer can change.
        sentence: what was asked and found, and what to do; one or two plain sentences.
    """

    rule: str
    verdict: Verdict
    position: int | None = None
    observed: str = ""
    limit: str = ""
    version: int = 1
    sentence: str


@frozen
class SitePolicy:
    """What the laboratory has decided for all its methods.

    Attributes:
        one_to_n: how `1:10` is read: "total" (factor 10), "parts" (factor 11), None: refused.
        rounding: how a tie is rounded.
        time_zone: the laboratory's zone, for days, bench sheets and pages.
    """

    time_zone: str
    one_to_n: Literal["total", "parts"] | None = None
    rounding: Literal["half_even", "half_up"] = "half_even"
    minimum_comparison_pairs: int = 6


@frozen
class ControlElsewhere:
    """A control met in another run that may cover this one."""

    role: Role
    run: str
    started_at: datetime
    lot: str
    passed: bool


@frozen
class ControlPoint:
    """One earlier control value for charts, blanks, recoveries and uncertainty."""

    run: str
    position: int
    role: Role
    at: datetime
    instrument: str
    value: Decimal
    nominal: Decimal | None = None
    partner: Decimal | None = None  # the other value of a duplicate pair


@frozen
class ChartLimits:
    """Frozen limits of one control chart (method, level, instrument), set by a person."""

    __pydantic_config__ = STRICT

    method: Name
    kind: Literal["mean", "range", "blank"]
    level: str = ""
    instrument: str = ""
    centre: Decimal
    warning_low: Decimal | None = None
    warning_high: Decimal | None = None
    action_low: Decimal | None = None
    action_high: Decimal | None = None
    period: str = ""


@frozen
class SampleValue:
    """A value of the same sample or point from elsewhere, for sum checks and history."""

    sample: str
    analyte: str
    fraction: str
    basis: str
    value: Decimal
    censored: Literal["", "<", ">"]
    unit: str
    uncertainty: Decimal | None
    at: datetime
    point: str = ""


@frozen
class RunFacts:
    """Everything the judgement of one run depends on, gathered before it is made.

    Attributes:
        readings: by position, in order of arrival; positions without reading are absent.
        observations: the current ones only (superseded left out), in order of entry.
        dilution_steps: the ways on record of making the dilutions of this run.
        prompt_forms: forms of serial frames, whose readings arrive as they are made.
        lot_use: determinations booked so far on each lot of this run, this run included.
        pins: SHA-256 by input ("method COD-HR", "form point_table", ...), carried to results.
    """

    run: Run
    method: Method
    site: SitePolicy
    readings: Mapping[int, tuple[StoredReading, ...]]
    observations: tuple[Observation, ...] = ()
    lots: Mapping[str, KitLot] = field(default_factory=dict)
    standards: Mapping[str, ControlStandard] = field(default_factory=dict)
    samples: Mapping[str, Sample] = field(default_factory=dict)
    points: Mapping[str, SamplingPoint] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    calibrations: Mapping[str, Calibration] = field(default_factory=dict)
    comparisons: tuple[DigestionComparison, ...] = ()
    dilution_steps: tuple[DilutionStep, ...] = ()
    competences: tuple[Competence, ...] = ()
    controls_elsewhere: tuple[ControlElsewhere, ...] = ()
    control_history: tuple[ControlPoint, ...] = ()
    chart_limits: tuple[ChartLimits, ...] = ()
    companions: tuple[SampleValue, ...] = ()
    point_history: tuple[SampleValue, ...] = ()
    lot_use: Mapping[str, int] = field(default_factory=dict)
    prompt_forms: frozenset[str] = frozenset()
    pins: Mapping[str, str] = field(default_factory=dict)


@frozen
class TubeOutcome:
    """What one tube came to.

    Attributes:
        value: concentration in the sample, unrounded, dilution applied; None if there is none.
        reading: id of the reading that counts, None if none does.
        steps: how the value came about, one plain sentence a step.
    """

    position: int
    role: Role
    reading: int | None
    value: Decimal | None
    censored: Literal["", "<", ">"]
    findings: tuple[Finding, ...]
    steps: tuple[str, ...]
    void: bool = False


@frozen
class ResultOutcome:
    """The value of one (sample, analyte with fraction and basis) in one run.

    Attributes:
        value: rounded once, as stated; None if there is none. For `<` and `>` the limit.
        text: the statement, e.g. `< 150`, `1480`, `> 1500`; "" if there is none.
        uncertainty: expanded (k = 2), rounded as stated, in the result's unit; None if the
            data do not suffice.
        findings: those of its tubes, of the run and its own, most severe first.
        steps: the derivation from reading to statement.
    """

    sample: str
    analyte: str
    fraction: str
    basis: str
    unit: str
    value: Decimal | None
    censored: Literal["", "<", ">"]
    text: str
    unrounded: Decimal | None
    uncertainty: Decimal | None
    state: State
    findings: tuple[Finding, ...]
    steps: tuple[str, ...]
    tubes: tuple[int, ...]
    readings: tuple[int, ...]
    repeats: str = ""


@frozen
class RunOutcome:
    """The judgement of one run.

    Attributes:
        complete: every planned tube has a reading or is void, and every control is met, or a
            person has closed the run.
        missing: what is still lacking, one phrase each.
        findings: those of the run as a whole (controls, completeness).
    """

    run: str
    complete: bool
    missing: tuple[str, ...]
    tubes: tuple[TubeOutcome, ...]
    results: tuple[ResultOutcome, ...]
    findings: tuple[Finding, ...]
