"""After the day: one run after another, with times of the present, until somebody stops it."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count, cycle
from typing import Protocol

from ingestd.demo.arriving import append_row, drop, write_in_strokes
from ingestd.demo.benchwork import (
    AMMONIUM,
    COD_HIGH,
    COD_LOW,
    PHOSPHATE,
    BenchRun,
    Pour,
    Waters,
    bench_run,
    blank,
    control,
    digested,
    of_sample,
    reagent_at,
)
from ingestd.demo.closing import Echo, result_line
from ingestd.demo.exporting import Photometer
from ingestd.demo.laboratory import ANALYSTS, Laboratory, Stopped
from ingestd.ledger.results import find_results
from ingestd.ledger.work import waiting_readings
from ingestd.model import Role, Sample

FIRST_CODE = 500
TROUBLE_EVERY = 3  # one run in so many has something wrong with it

# What a run of a method brings: sampling point and dilution of each sample.
USUAL_RUN: dict[str, tuple[tuple[str, str], ...]] = {
    COD_LOW: (("outlet", "1"), ("settled", "1+4"), ("river", "1")),
    COD_HIGH: (("inlet", "1"), ("dairy", "1+4"), ("liquor", "1+1")),
    AMMONIUM: (("outlet", "1"), ("inlet", "1+19"), ("settled", "1+19")),
    PHOSPHATE: (("outlet", "1"), ("inlet", "1+4"), ("river", "1")),
}
INSTRUMENTS = {
    COD_LOW: "Bench B",
    COD_HIGH: "Bench A",
    AMMONIUM: "Bench C",
    PHOSPHATE: "Bench C",
}


class BenchNotes(Protocol):
    """The photometers that go on being used."""

    bench_a: Photometer
    bench_b: Photometer
    bench_c: Photometer


def feed_on(
    laboratory: Laboratory, photometers: BenchNotes, waters: Waters, echo: Echo, *, pause_s: float
) -> None:
    """Plan, read and export run after run; returns when asked to stop.

    Raises:
        Stopped: the service ended by itself, or a step did not come about.
    """
    echo(f"Going on with a new run every {pause_s:.0f} s or so; stop with Ctrl-C.")
    codes = (f"S-{number:04d}" for number in count(FIRST_CODE))
    try:
        for number, method in zip(count(1), cycle(USUAL_RUN), strict=False):
            laboratory.pause(pause_s)
            run = _next_run(laboratory.clock(), number, method, codes, waters)
            _work_run(laboratory, run, photometers)
            _tell(laboratory, run, echo)
    except Stopped:
        if not laboratory.stop.is_set():
            raise
        echo("Stopping.")


def _next_run(
    now: datetime, number: int, method: str, codes: Iterator[str], waters: Waters
) -> BenchRun:
    """A run whose last tube was read just now; now and then something is wrong with it."""
    trouble = ""
    if waters.chance.randrange(TROUBLE_EVERY) == 0:
        trouble = waters.chance.choice(("turbid", "undiluted", "unplanned"))
    tag = f"run {number}"
    samples, pours = [], [control(method, 1, tag)]
    digests = method in (COD_HIGH, COD_LOW)
    if digests:
        pours.append(blank(method, 2, tag))
    for place, (point, dilution) in enumerate(USUAL_RUN[method]):
        sample = Sample(
            code=next(codes),
            point=point,
            sampled_at=now - timedelta(hours=5),
            preservation="cooled",
        )
        samples.append(sample)
        pours.append(
            of_sample(
                waters,
                method,
                len(pours) + 1,
                sample,
                dilution="1" if trouble == "undiluted" else dilution,
                planned=not (trouble == "unplanned" and place == len(USUAL_RUN[method]) - 1),
            )
        )
    if digests:
        first = pours[2]
        pours.append(
            of_sample(waters, method, len(pours) + 1, samples[0], duplicate=True)
            if first.planned
            else first
        )
    read_at = now - timedelta(minutes=len(pours) + 1)
    ended = read_at - timedelta(minutes=35)
    notes: list[tuple[int | None, tuple[str, ...]]] = []
    if digests:
        notes.append(digested(ended - timedelta(minutes=120), ended, "148.2"))
        if trouble == "turbid":
            notes.append((_last_sample(pours), ("turbidity=turbid",)))
    return bench_run(
        f"{method} {tag}",
        method,
        pours,
        [sample for sample in samples if sample.code in _planned(pours)],
        started=read_at - timedelta(hours=3 if digests else 1),
        instrument=INSTRUMENTS[method],
        analyst=ANALYSTS[number % len(ANALYSTS)],
        read_at=read_at,
        program="standard" if digests else "",
        on_sheet=None
        if digests
        else reagent_at(read_at - timedelta(minutes=18), ANALYSTS[number % len(ANALYSTS)]),
        notes=notes,
    )


def _planned(pours: list[Pour]) -> set[str]:
    return {pour.tube.sample for pour in pours if pour.planned}


def _last_sample(pours: list[Pour]) -> int:
    return max(
        pour.tube.position for pour in pours if pour.planned and pour.tube.role is Role.SAMPLE
    )


def _work_run(laboratory: Laboratory, run: BenchRun, photometers: BenchNotes) -> None:
    name = run.name.replace(" ", "-")
    laboratory.drop_plans({f"{name}.csv": run.sheet(laboratory.config.site.policy)})
    for position, pairs in run.notes:
        laboratory.observe(run.name, position, *pairs, by=run.run.analyst)
    instrument = run.run.instrument
    photometer = {
        "Bench A": photometers.bench_a,
        "Bench B": photometers.bench_b,
        "Bench C": photometers.bench_c,
    }[instrument]
    shown = run.read(photometer)
    before = laboratory.count("SELECT count(*) FROM readings WHERE instrument = ?", instrument)
    if photometer is photometers.bench_a:
        path = laboratory.exports("bench-a") / f"readings-{shown[0].wall:%Y-%m-%d}.csv"
        for one in shown:
            append_row(path, photometer.export([one], head=not path.exists()), laboratory.pause)
    elif photometer is photometers.bench_b:
        drop(laboratory.exports("bench-b") / f"{name}.csv", photometer.export(shown))
    else:
        write_in_strokes(
            laboratory.exports("bench-c") / f"{name}.txt",
            [photometer.export([one]) for one in shown],
            laboratory.pause,
        )
    laboratory.wait_for_readings(instrument, before + len(shown))


def _tell(laboratory: Laboratory, run: BenchRun, echo: Echo) -> None:
    conn = laboratory.ledger.conn
    at = laboratory.clock().astimezone(laboratory.zone)
    echo("")
    echo(f"{at:%H:%M}  {run.name} on {run.run.instrument}")
    for row in find_results(conn, run=run.name):
        echo(result_line(conn, row))
    labels = {pour.tube.label for pour in run.pours if not pour.planned}
    for one in waiting_readings(conn):
        if one.reading.sample in labels:
            echo(f"{one.reading.sample} waits: {one.reason}")
