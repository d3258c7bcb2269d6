"""A simulated laboratory: runs with known true values, good ones and ones with a fault.

Everything is invented. What scatters and by how much is written in `SCATTER`; the figures are of
the size a tube test shows in practice (common practice, no source). One seed gives one history.
"""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from ingestd.evaluate.figures import as_digits
from ingestd.evaluate.statistics.control_charts import limits_from_period
from ingestd.evaluate.uncertainty.own_controls import own_uncertainty
from ingestd.model import (
    Calibration,
    CalibrationPoint,
    ChartLimits,
    ControlLimits,
    ControlNeed,
    ControlPoint,
    ControlStandard,
    DigestionProgram,
    Dilution,
    HoldingTime,
    Instrument,
    Interferent,
    KitLot,
    Method,
    Observation,
    ObservationKey,
    Role,
    RoundingStep,
    Run,
    RunFacts,
    Sample,
    SampleValue,
    SitePolicy,
    StoredReading,
    Tube,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Relative scatter of tubes, standards and runs; absolute scatter of any tube in mg/L."""

    tube: float = 0.035
    standard: float = 0.02
    run: float = 0.01
    blank: float = 2.0


SCATTER = Scatter()
NOMINAL = 500
SAMPLES = 20
DUPLICATES = 2
STANDARDS = 2

METHOD = Method(
    name="cod-sim",
    analyte="COD",
    basis="O2",
    range_low=Decimal(15),
    range_high=Decimal(1500),
    programs=(
        DigestionProgram(name="standard", temperature_c=Decimal(148), minutes=Decimal(120)),
    ),
    cooling_min=Decimal(10),
    cooling_max=Decimal(240),
    turbidity_check=True,
    interferents=(Interferent(name="chloride", tolerance=Decimal(1000)),),
    rounding=(RoundingStep(below=Decimal(1000), to=Decimal(1)), RoundingStep(to=Decimal(10))),
    needs=(
        ControlNeed(role=Role.BLANK),
        ControlNeed(role=Role.CONTROL_STANDARD),
        ControlNeed(role=Role.DUPLICATE, per="tubes", tubes=10),
    ),
    # Three standard deviations of the difference of two tubes near zero.
    limits=ControlLimits(duplicate_floor=Decimal(9)),
    holding=HoldingTime(hours=Decimal(24)),
    calibration="curve",
)
CURVE = Calibration(
    name="curve",
    method="cod-sim",
    points=tuple(
        CalibrationPoint(concentration=Decimal(c), absorbance=Decimal(c) / 2500)
        for c in (0, 300, 600, 900, 1200, 1500)
    ),
    valid_from=date(2026, 1, 1),
    valid_until=date(2027, 12, 31),
)
SITE = SitePolicy(time_zone="Europe/Berlin")
STANDARD = ControlStandard(
    lot="S1",
    analyte="COD",
    basis="O2",
    value=Decimal(NOMINAL),
    expanded_uncertainty=Decimal(4),
    expires=date(2027, 12, 31),
    independent=True,
)
LOT = KitLot(lot="K1", method="cod-sim", expires=date(2027, 12, 31), produced=date(2025, 12, 1))
METER = Instrument(name="meter-1", time_zone="Europe/Berlin", verification_due=date(2027, 12, 31))
UNDILUTED = Dilution(text="1", factor=Decimal(1))
TENFOLD = Dilution(text="1+9", factor=Decimal(10))
START = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
DIGESTED = START + timedelta(minutes=140)


@dataclass(slots=True, kw_only=True)
class Draft:
    """One tube as it is worked: what was planned, what is in it, what the display shows.

    `shown` is the concentration in the tube as displayed, mg/L, before the display rounds it.
    """

    position: int
    role: Role
    label: str
    sample: str = ""
    planned: Dilution = UNDILUTED
    shown: float = 0.0
    lot: str = "K1"
    stated_factor: int | None = None
    applied: bool | None = False
    minutes: float = 45.0
    absorbance: float | None = None
    second: float | None = None


@dataclass(slots=True, kw_only=True)
class Sheet:
    """A run as it is worked; faults change it, `Laboratory.facts` freezes it."""

    day: int
    tubes: list[Draft]
    samples: dict[str, Sample]
    notes: dict[tuple[int | None, ObservationKey], str]
    lots: dict[str, KitLot] = field(default_factory=lambda: {"K1": LOT})

    def copy(self) -> "Sheet":
        """A sheet a fault may change without touching the good one."""
        return Sheet(
            day=self.day,
            tubes=[replace(t) for t in self.tubes],
            samples=dict(self.samples),
            notes=dict(self.notes),
            lots=dict(self.lots),
        )

    def of_role(self, role: Role) -> list[Draft]:
        return [t for t in self.tubes if t.role is role]

    def of_sample(self, code: str) -> list[Draft]:
        return [t for t in self.tubes if t.sample == code]


class Laboratory:
    """The invented laboratory with its sampling points, control history and charts.

    Attributes:
        charts: False for a laboratory that has set no chart limits of its own yet and relies on
            the method's default limits alone.
        uncertainty: expanded, relative, from the control history.
    """

    def __init__(self, seed: int, *, charts: bool = True) -> None:
        self.chance = random.Random(seed)
        self.charts = charts
        self.points = {
            f"P{n}": level for n, level in enumerate((70, 120, 220, 400, 650, 900, 3000, 7000))
        }
        self.control_history, self.chart = self._history()
        self.point_history = tuple(
            SampleValue(
                sample=f"V-{code}-{n}",
                analyte="COD",
                fraction="total",
                basis="O2",
                value=Decimal(round(self._true(level))),
                censored="",
                unit="mg/L",
                uncertainty=None,
                at=START - timedelta(days=n + 1),
                point=code,
            )
            for code, level in self.points.items()
            for n in range(30)
        )
        percent = own_uncertainty(
            self.control_history, Decimal(NOMINAL), STANDARD.expanded_uncertainty
        ).percent
        assert percent is not None, "forty days of controls state an uncertainty"
        self.uncertainty = float(percent) / 100

    def _true(self, level: float) -> float:
        return level * math.exp(self.chance.gauss(0, 0.2))

    def _display(self, concentration: float, relative: float) -> float:
        noisy = concentration * (1 + self.chance.gauss(0, relative))
        return noisy + self.chance.gauss(0, SCATTER.blank)

    def _history(self) -> tuple[tuple[ControlPoint, ...], ChartLimits]:
        points = []
        for n in range(40):
            bias = 1 + self.chance.gauss(0, SCATTER.run)
            at = START - timedelta(days=41 - n)
            found = self._display(NOMINAL * bias, SCATTER.standard)
            points.append(_control(n, Role.CONTROL_STANDARD, at, found))
            level = self.chance.choice((120, 220, 400, 650, 900)) * bias
            pair = [self._display(level, SCATTER.tube) for _ in range(2)]
            points.append(_control(n, Role.DUPLICATE, at, pair[0], pair[1]))
        limits = limits_from_period([p.value for p in points if p.role is Role.CONTROL_STANDARD])
        chart = ChartLimits(
            method="cod-sim",
            kind="mean",
            level="S1",
            centre=as_digits(limits.centre),
            warning_low=as_digits(limits.lower_warning),
            warning_high=as_digits(limits.upper_warning),
            action_low=as_digits(limits.lower_action),
            action_high=as_digits(limits.upper_action),
            period="forty days",
        )
        return tuple(points), chart

    def work_a_run(self, number: int) -> Sheet:
        """A good run: every tube shows what is in it, as exactly as the method can."""
        chance = self.chance
        bias = 1 + chance.gauss(0, SCATTER.run)
        tubes = [Draft(position=1, role=Role.BLANK, label="blank", shown=self._display(0, 0))]
        for n in range(STANDARDS):
            shown = self._display(NOMINAL * bias, SCATTER.standard)
            role = Role.CONTROL_STANDARD
            tubes.append(Draft(position=2 + n, role=role, label=f"control {n}", shown=shown))
        samples = {}
        position = 2 + STANDARDS
        for n in range(SAMPLES):
            point = chance.choice(list(self.points))
            true = self._true(self.points[point])
            code = f"W-{number}-{n}"
            samples[code] = Sample(
                code=code,
                point=point,
                matrix="waste water",
                sampled_at=START - timedelta(hours=5),
                chloride_mg_l=Decimal(chance.randint(50, 400)),
            )
            # Analysts know their points: what is expected near the end of the range is diluted.
            planned = TENFOLD if true > 1200 else UNDILUTED
            factor = int(planned.factor)
            for role in (Role.SAMPLE, Role.DUPLICATE) if n < DUPLICATES else (Role.SAMPLE,):
                tubes.append(
                    Draft(
                        position=position,
                        role=role,
                        label=f"{code} {role}",
                        sample=code,
                        planned=planned,
                        shown=self._display(true * bias / factor, SCATTER.tube),
                    )
                )
                position += 1
        if number % 4 == 0:  # one run in four prints absorbances as well
            for tube in tubes:
                tube.absorbance = tube.shown / 2500
        return Sheet(
            day=number,
            tubes=tubes,
            samples=samples,
            notes={
                (None, "digestion_start"): (DIGESTED - timedelta(minutes=120)).isoformat(),
                (None, "digestion_end"): DIGESTED.isoformat(),
                (None, "block_temperature"): "148",
                (None, "turbidity"): "clear",
            },
        )

    def facts(self, sheet: Sheet) -> RunFacts:
        """Freeze a sheet into what evaluation gets to see."""
        readings: dict[int, tuple[StoredReading, ...]] = {}
        for tube in sheet.tubes:
            first = _reading(tube, tube.shown, tube.position)
            again = () if tube.second is None else (_reading(tube, tube.second, 500),)
            readings[tube.position] = (first, *again)
        return RunFacts(
            run=Run(
                name=f"R-{sheet.day}",
                method="cod-sim",
                started_at=START,
                instrument="meter-1",
                analyst="tomas",
                program="standard",
                tubes=tuple(_planned(tube) for tube in sheet.tubes),
            ),
            method=METHOD,
            site=SITE,
            readings=readings,
            observations=_observations(sheet.notes),
            lots=sheet.lots,
            standards={"S1": STANDARD},
            samples=sheet.samples,
            instruments={"meter-1": METER},
            calibrations={"curve": CURVE},
            control_history=self.control_history,
            chart_limits=(self.chart,) if self.charts else (),
            point_history=self.point_history,
        )


def _control(
    number: int, role: Role, at: datetime, value: float, partner: float | None = None
) -> ControlPoint:
    return ControlPoint(
        run=f"H-{number}",
        position=2,
        role=role,
        at=at,
        instrument="meter-1",
        value=Decimal(round(value)),
        nominal=Decimal(NOMINAL) if role is Role.CONTROL_STANDARD else None,
        partner=None if partner is None else Decimal(round(partner)),
    )


def _planned(tube: Draft) -> Tube:
    return Tube(
        position=tube.position,
        role=tube.role,
        label=tube.label,
        sample=tube.sample,
        standard="S1" if tube.role is Role.CONTROL_STANDARD else "",
        lot=tube.lot,
        dilution=tube.planned,
    )


def _reading(tube: Draft, shown: float, number: int) -> StoredReading:
    """What the photometer prints: whole mg/L, and no number above its range."""
    at = DIGESTED + timedelta(minutes=tube.minutes)
    factor = float(tube.stated_factor or 1) if tube.applied is not False else 1.0
    over = shown > float(METHOD.range_high) * factor
    return StoredReading(
        id=number,
        capture=1,
        instrument="meter-1",
        source="bench",
        method="cod-sim",
        sample=tube.label,
        value=METHOD.range_high if over else Decimal(round(shown)),
        censored=">" if over else "",
        unit="mg/L",
        basis=None,
        measured_at=at,
        arrived_at=at,
        absorbance=None if tube.absorbance is None else Decimal(f"{tube.absorbance:.3f}"),
        dilution=None if tube.stated_factor is None else Decimal(tube.stated_factor),
        dilution_applied=tube.applied,
    )


def _observations(
    notes: Mapping[tuple[int | None, ObservationKey], str],
) -> tuple[Observation, ...]:
    return tuple(
        Observation(id=n, run="", position=position, key=key, value=value, at=DIGESTED, by="tomas")
        for n, ((position, key), value) in enumerate(notes.items(), start=1)
    )
