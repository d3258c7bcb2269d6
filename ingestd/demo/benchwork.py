"""What is on the bench: runs with their tubes, and the concentrations nobody there knows."""

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from ingestd.demo.exporting import Photometer, Shown, TubeTest
from ingestd.model import Role, Run, Sample, SitePolicy, Tube
from ingestd.plan.dilution import parse_dilution
from ingestd.plan.instants import instant_text
from ingestd.plan.observations import SheetObservation
from ingestd.plan.sheet_writer import write_bench_sheet

COD_HIGH, COD_LOW, AMMONIUM, PHOSPHATE = "COD high", "COD low", "NH4-N", "PO4-P"

# The last digit each test shows is the photometers' own affair; the ranges are those of the plan.
TESTS: Mapping[str, TubeTest] = {
    test.name: test
    for test in (
        TubeTest(name=COD_HIGH, range_low=Decimal(130), range_high=Decimal(1650), step=Decimal(1)),
        TubeTest(
            name=COD_LOW, range_low=Decimal(10), range_high=Decimal(170), step=Decimal("0.1")
        ),
        TubeTest(
            name=AMMONIUM,
            range_low=Decimal("0.07"),
            range_high=Decimal("3.2"),
            step=Decimal("0.001"),
        ),
        TubeTest(
            name=PHOSPHATE,
            range_low=Decimal("0.09"),
            range_high=Decimal("4.5"),
            step=Decimal("0.001"),
        ),
    )
}
LOTS = {COD_HIGH: "KH-118", COD_LOW: "KL-073", AMMONIUM: "KN-092", PHOSPHATE: "KP-031"}
EXPIRED_LOT = "KN-087"
# Control standard and its true value, mg/L; as in the plan.
STANDARDS = {
    COD_HIGH: ("CS-900-4", Decimal(900)),
    COD_LOW: ("CS-80-2", Decimal(80)),
    AMMONIUM: ("CS-N-1", Decimal("1.00")),
    PHOSPHATE: ("CS-P-3", Decimal("1.50")),
}
# Usual concentration at a sampling point, mg/L, by analyte; invented, of the size that common
# practice knows from such places. COD of both ranges is one analyte.
USUAL: Mapping[tuple[str, str], Decimal] = {
    ("inlet", "COD"): Decimal(780),
    ("settled", "COD"): Decimal(330),
    ("outlet", "COD"): Decimal(34),
    ("river", "COD"): Decimal(18),
    ("liquor", "COD"): Decimal(1050),
    ("dairy", "COD"): Decimal(4300),
    ("laundry", "COD"): Decimal(2100),
    ("inlet", AMMONIUM): Decimal(41),
    ("settled", AMMONIUM): Decimal(38),
    ("outlet", AMMONIUM): Decimal("1.2"),
    ("overflow", AMMONIUM): Decimal("6.4"),
    ("river", AMMONIUM): Decimal("0.02"),
    ("inlet", PHOSPHATE): Decimal("6.2"),
    ("outlet", PHOSPHATE): Decimal("0.58"),
    ("river", PHOSPHATE): Decimal("0.19"),
}
DAY_TO_DAY = Decimal("0.07")  # relative standard deviation of these; invented


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """One tube with what is really in it.

    Attributes:
        true: concentration in the undiluted sample, mg/L.
        typed: label typed in at the photometer where it is not the planned one.
        stated: factor typed in at the photometer where it is not the planned one.
        planned: it stands on the bench sheet.
    """

    tube: Tube
    true: Decimal
    typed: str = ""
    stated: Decimal | None = None
    planned: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRun:
    """A run with its sheet, what is noted at the bench later, and when it is read.

    Attributes:
        on_sheet: observations that the sheet itself carries.
        notes: (position or None, KEY=VALUE pairs) noted after planning.
    """

    run: Run
    pours: tuple[Pour, ...]
    samples: tuple[Sample, ...]
    read_at: datetime
    on_sheet: tuple[SheetObservation, ...] = ()
    notes: tuple[tuple[int | None, tuple[str, ...]], ...] = ()

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.run.name

    def sheet(self, policy: SitePolicy) -> str:
        """Its bench sheet as CSV text."""
        return write_bench_sheet(
            [self.run],
            policy,
            samples={sample.code: sample for sample in self.samples},
            observations=self.on_sheet,
        )

    def read(self, photometer: Photometer) -> list[Shown]:
        """Every tube read in turn, a minute apart."""
        test = TESTS[self.run.method]
        shown = []
        for number, pour in enumerate(self.pours):
            factor = pour.tube.dilution.factor
            shown.append(
                photometer.read(
                    test,
                    pour.typed or pour.tube.label,
                    true=pour.true,
                    diluted=factor,
                    stated=pour.stated or factor,
                    at=self.read_at + timedelta(minutes=number),
                )
            )
        return shown


@dataclass(slots=True)
class Waters:
    """The true concentrations, drawn once for each sample and analyte."""

    chance: random.Random
    _drawn: dict[tuple[str, str], Decimal] = field(default_factory=dict)

    def true(self, sample: Sample, method: str) -> Decimal:
        """What is really in a sample, mg/L."""
        analyte = "COD" if method in (COD_HIGH, COD_LOW) else method
        key = (sample.code, analyte)
        if key not in self._drawn:
            drawn = min(max(self.chance.gauss(0, 1), -2.0), 2.0)
            usual = USUAL[sample.point, analyte]
            self._drawn[key] = usual * (1 + DAY_TO_DAY * Decimal(f"{drawn:.3f}"))
        return self._drawn[key]


def blank(method: str, position: int, tag: str) -> Pour:
    """A reagent blank; `tag` keeps its label apart from those of other runs."""
    tube = Tube(position=position, role=Role.BLANK, label=f"blank {tag}", lot=LOTS[method])
    return Pour(tube=tube, true=Decimal(0))


def control(method: str, position: int, tag: str) -> Pour:
    """A control standard."""
    standard, value = STANDARDS[method]
    tube = Tube(
        position=position,
        role=Role.CONTROL_STANDARD,
        label=f"control {tag}",
        standard=standard,
        lot=LOTS[method],
    )
    return Pour(tube=tube, true=value)


def of_sample(
    waters: Waters,
    method: str,
    position: int,
    sample: Sample,
    *,
    dilution: str = "1",
    duplicate: bool = False,
    lot: str = "",
    repeats: str = "",
    typed: str = "",
    stated: Decimal | None = None,
    planned: bool = True,
) -> Pour:
    """A tube of a sample, or its duplicate."""
    tube = Tube(
        position=position,
        role=Role.DUPLICATE if duplicate else Role.SAMPLE,
        sample=sample.code,
        label=f"{sample.code} dup" if duplicate else sample.code,
        dilution=parse_dilution(dilution),
        lot=lot or LOTS[method],
        repeats=repeats,
    )
    return Pour(
        tube=tube,
        true=waters.true(sample, method),
        typed=typed,
        stated=stated,
        planned=planned,
    )


def bench_run(
    name: str,
    method: str,
    pours: Sequence[Pour],
    samples: Iterable[Sample],
    *,
    started: datetime,
    instrument: str,
    analyst: str,
    read_at: datetime,
    program: str = "",
    on_sheet: Mapping[str, str] | None = None,
    notes: Iterable[tuple[int | None, tuple[str, ...]]] = (),
) -> BenchRun:
    """A run of these tubes; those not planned are read but stand on no sheet."""
    run = Run(
        name=name,
        method=method,
        started_at=started,
        instrument=instrument,
        analyst=analyst,
        program=program,
        tubes=tuple(pour.tube for pour in pours if pour.planned),
    )
    noted = tuple(
        SheetObservation(run=name, position=None, key=key, value=value)  # type: ignore[arg-type]  # keys of ours
        for key, value in (on_sheet or {}).items()
    )
    return BenchRun(
        run=run,
        pours=tuple(pours),
        samples=tuple(samples),
        read_at=read_at,
        on_sheet=noted,
        notes=tuple(notes),
    )


def reagent_at(at: datetime, who: str) -> dict[str, str]:
    """What a sheet of a run without digestion carries."""
    return {"reagent_added": instant_text(at), "zeroing": f"{who} on the reagent blank"}


def digested(start: datetime, end: datetime, celsius: str) -> tuple[None, tuple[str, ...]]:
    """What is noted after a digestion: its ends, the block, and that the tubes look clear."""
    return (
        None,
        (
            f"digestion_start={instant_text(start)}",
            f"digestion_end={instant_text(end)}",
            f"block_temperature={celsius}",
            "turbidity=clear",
        ),
    )
