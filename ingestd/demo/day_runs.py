"""The runs of the invented day, with all that goes wrong in them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

from ingestd.demo.benchwork import (
    AMMONIUM,
    COD_HIGH,
    COD_LOW,
    EXPIRED_LOT,
    PHOSPHATE,
    BenchRun,
    Waters,
    bench_run,
    blank,
    control,
    digested,
    of_sample,
    reagent_at,
)
from ingestd.demo.working_day import Day
from ingestd.model import Sample

MISTYPED = "S-0471"
"""What was typed at the photometer for the river sample, S-0417."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRuns:
    """The runs of the day, in the order in which they come to the photometers."""

    cod_low: BenchRun
    cod_high: BenchRun
    ammonium: BenchRun
    phosphate: BenchRun
    walk: BenchRun
    overflow: BenchRun
    repeats: BenchRun
    fast: BenchRun
    cooling: BenchRun


def samples_of(day: Day) -> dict[str, Sample]:
    """The samples of the day by code; chloride where somebody measured it."""

    def taken(code: str, point: str, wall: str, chloride: int | None = None) -> Sample:
        return Sample(
            code=code,
            point=point,
            sampled_at=day.at(wall),
            preservation="cooled",
            chloride_mg_l=None if chloride is None else Decimal(chloride),
        )

    found = (
        taken("S-0411", "inlet", "06:00", 180),
        taken("S-0412", "settled", "06:05"),
        taken("S-0413", "outlet", "06:15", 170),
        taken("S-0414", "dairy", "06:40", 640),
        taken("S-0415", "laundry", "06:55"),
        taken("S-0416", "liquor", "07:05"),
        taken("S-0417", "river", "07:20", 45),
        taken("S-0418", "overflow", "07:30"),
        taken("S-0419", "inlet", "12:00"),
        taken("S-0420", "dairy", "12:20", 640),
        taken("S-0421", "outlet", "10:30"),
        taken("S-0422", "river", "10:45"),
        taken("S-0423", "settled", "12:30"),
    )
    return {sample.code: sample for sample in found}


def runs_of(day: Day, waters: Waters) -> DayRuns:
    """The day's runs."""
    samples = samples_of(day)
    return DayRuns(
        cod_low=_cod_low(day, waters, samples),
        cod_high=_cod_high(day, waters, samples),
        ammonium=_ammonium(day, waters, samples),
        phosphate=_phosphate(day, waters, samples),
        walk=_walk(day, waters, samples),
        overflow=_overflow(day, waters, samples),
        repeats=_repeats(day, waters, samples),
        fast=_fast(day, waters, samples),
        cooling=_cooling(day, waters, samples),
    )


Samples = Mapping[str, Sample]


def _cod_low(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    outlet, settled, river = samples["S-0413"], samples["S-0412"], samples["S-0417"]
    pours = (
        blank(COD_LOW, 1, "low 1"),
        control(COD_LOW, 2, "low 1"),
        of_sample(waters, COD_LOW, 3, outlet),
        of_sample(waters, COD_LOW, 4, outlet, duplicate=True),
        of_sample(waters, COD_LOW, 5, settled, dilution="1+4"),
        of_sample(waters, COD_LOW, 6, river, typed=MISTYPED),
    )
    return bench_run(
        f"{day.date} COD low 1",
        COD_LOW,
        pours,
        (outlet, settled, river),
        started=day.at("08:00"),
        instrument="Bench B",
        analyst="orrin",
        read_at=day.at("10:40"),
        program="standard",
        notes=[digested(day.at("08:12"), day.at("10:12"), "147.6")],
    )


def _cod_high(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    inlet, dairy, laundry = samples["S-0411"], samples["S-0414"], samples["S-0415"]
    liquor = samples["S-0416"]
    pours = (
        blank(COD_HIGH, 1, "high 1"),
        control(COD_HIGH, 2, "high 1"),
        of_sample(waters, COD_HIGH, 3, inlet),
        of_sample(waters, COD_HIGH, 4, inlet, duplicate=True),
        of_sample(waters, COD_HIGH, 5, dairy),
        of_sample(waters, COD_HIGH, 6, laundry, dilution="1+4", stated=Decimal(10)),
        of_sample(waters, COD_HIGH, 7, liquor),
    )
    return bench_run(
        f"{day.date} COD high 1",
        COD_HIGH,
        pours,
        (inlet, dairy, laundry, liquor),
        started=day.at("08:10"),
        instrument="Bench A",
        analyst="tilke",
        read_at=day.at("10:55"),
        program="standard",
        notes=[
            digested(day.at("08:25"), day.at("10:26"), "148.4"),
            (7, ("turbidity=turbid",)),
        ],
    )


def _ammonium(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    outlet, inlet, settled = samples["S-0413"], samples["S-0411"], samples["S-0412"]
    overflow = samples["S-0418"]
    pours = (
        control(AMMONIUM, 1, "N 1"),
        of_sample(waters, AMMONIUM, 2, outlet),
        of_sample(waters, AMMONIUM, 3, outlet, duplicate=True),
        of_sample(waters, AMMONIUM, 4, inlet, dilution="1+19"),
        of_sample(waters, AMMONIUM, 5, settled, dilution="1+19", lot=EXPIRED_LOT),
        # Brought in by the storm crew, read along with the others, planned by nobody yet.
        of_sample(waters, AMMONIUM, 6, overflow, dilution="1+4", planned=False),
    )
    return bench_run(
        f"{day.date} NH4 1",
        AMMONIUM,
        pours,
        (outlet, inlet, settled),
        started=day.at("09:05"),
        instrument="Bench C",
        analyst="orrin",
        read_at=day.at("09:32"),
        on_sheet=reagent_at(day.at("09:12"), "orrin"),
    )


def _overflow(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    """The late sheet for the sample that was read in the run before."""
    overflow = samples["S-0418"]
    return bench_run(
        f"{day.date} NH4 2",
        AMMONIUM,
        (of_sample(waters, AMMONIUM, 1, overflow, dilution="1+4"),),
        (overflow,),
        started=day.at("09:06"),
        instrument="Bench C",
        analyst="orrin",
        read_at=day.at("09:37"),
        on_sheet=reagent_at(day.at("09:13"), "orrin"),
    )


def _phosphate(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    outlet, inlet, river = samples["S-0413"], samples["S-0411"], samples["S-0417"]
    pours = (
        control(PHOSPHATE, 1, "P 1"),
        of_sample(waters, PHOSPHATE, 2, outlet),
        of_sample(waters, PHOSPHATE, 3, inlet, dilution="1+4"),
        of_sample(waters, PHOSPHATE, 4, river),
    )
    return bench_run(
        f"{day.date} PO4 1",
        PHOSPHATE,
        pours,
        (outlet, inlet, river),
        started=day.at("10:00"),
        instrument="Bench C",
        analyst="tilke",
        read_at=day.at("10:18"),
        on_sheet=reagent_at(day.at("10:04"), "tilke"),
    )


def _walk(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    outlet, river = samples["S-0421"], samples["S-0422"]
    pours = (
        control(AMMONIUM, 1, "N walk"),
        of_sample(waters, AMMONIUM, 2, outlet),
        of_sample(waters, AMMONIUM, 3, river),
    )
    return bench_run(
        f"{day.date} NH4 walk",
        AMMONIUM,
        pours,
        (outlet, river),
        started=day.at("11:00"),
        instrument="Portable",
        analyst="orrin",
        read_at=day.at("11:25"),
        on_sheet=reagent_at(day.at("11:05"), "orrin"),
    )


def _repeats(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    dairy, liquor = samples["S-0414"], samples["S-0416"]
    pours = (
        blank(COD_HIGH, 1, "high 2"),
        control(COD_HIGH, 2, "high 2"),
        of_sample(
            waters,
            COD_HIGH,
            3,
            dairy,
            dilution="1+4",
            repeats=f"{day.date} COD high 1, above the range",
        ),
        of_sample(
            waters,
            COD_HIGH,
            4,
            liquor,
            dilution="1+1",
            repeats=f"{day.date} COD high 1, turbid",
        ),
    )
    return bench_run(
        f"{day.date} COD high 2",
        COD_HIGH,
        pours,
        (dairy, liquor),
        started=day.at("12:30"),
        instrument="Bench A",
        analyst="tilke",
        read_at=day.at("15:15"),
        program="standard",
        notes=[digested(day.at("12:44"), day.at("14:45"), "148.1")],
    )


def _fast(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    inlet, dairy = samples["S-0419"], samples["S-0420"]
    pours = (
        blank(COD_HIGH, 1, "high 3"),
        control(COD_HIGH, 2, "high 3"),
        of_sample(waters, COD_HIGH, 3, inlet),
        of_sample(waters, COD_HIGH, 4, dairy, dilution="1+4"),
    )
    start = day.at("13:10")
    end = start + timedelta(minutes=30)
    return bench_run(
        f"{day.date} COD high 3",
        COD_HIGH,
        pours,
        (inlet, dairy),
        started=day.at("13:00"),
        instrument="Bench A",
        analyst="orrin",
        read_at=day.at("14:10"),
        program="fast",
        notes=[digested(start, end, "160.3")],
    )


def _cooling(day: Day, waters: Waters, samples: Samples) -> BenchRun:
    """Still in the block at the end of the day; one of its tubes is read far too early."""
    settled = samples["S-0423"]
    pours = (
        of_sample(waters, COD_LOW, 1, settled, dilution="1+4"),
        blank(COD_LOW, 2, "low 2"),
        control(COD_LOW, 3, "low 2"),
    )
    return bench_run(
        f"{day.date} COD low 2",
        COD_LOW,
        pours,
        (settled,),
        started=day.at("13:30"),
        instrument="Bench B",
        analyst="orrin",
        read_at=day.at("15:05"),
        program="standard",
    )
