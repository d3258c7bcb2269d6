"""Everything that the judgement of one run depends on."""

from collections.abc import Mapping
from dataclasses import field
from datetime import datetime
from decimal import Decimal
from typing import Literal

from ingestd.model.bench import Observation, Run
from ingestd.model.plan import (
    Calibration,
    Competence,
    ControlStandard,
    DigestionComparison,
    DilutionStep,
    Instrument,
    KitLot,
    Method,
    Sample,
    SamplingPoint,
)
from ingestd.model.reading import StoredReading
from ingestd.model.vocabulary import STRICT, Name, Role
from parsers.frozen import frozen


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
