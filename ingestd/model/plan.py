"""What is known before a reading arrives: instruments, methods, lots, points, samples, persons.

Checked by pydantic where they enter, with the constraints beside each attribute; inside they are
plain values. Numbers are Decimal, instants are aware datetimes in UTC, days are dates.
"""

from collections.abc import Mapping
from dataclasses import field
from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field

from ingestd.model.vocabulary import (
    STRICT,
    Factor,
    Minutes,
    Name,
    NotNegative,
    PersonRole,
    Positive,
    Role,
)
from parsers.frozen import frozen


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
