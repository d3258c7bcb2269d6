"""An invented waterworks works one day through, with the real service watching its folders."""

import random
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from string import Template
from typing import Any

from ingestd.config import Config
from ingestd.demo.arriving import append_row, drop, write_in_strokes
from ingestd.demo.benchwork import BenchRun, Waters
from ingestd.demo.closing import Echo, print_day, proof_of
from ingestd.demo.day_runs import MISTYPED, DayRuns, runs_of
from ingestd.demo.exporting import (
    COMMA_TABLE,
    LABELLED_REPORT,
    POINT_TABLE,
    WALK_TABLE,
    Photometer,
)
from ingestd.demo.laboratory import ADMIN, Laboratory, Stopped
from ingestd.demo.onward import feed_on
from ingestd.demo.premises import data_text, lay_out, walk_form
from ingestd.demo.script import Sightings, judge_script
from ingestd.demo.working_day import Day, working_day_before
from ingestd.errors import ConfigError
from ingestd.ledger.work import waiting_readings
from ingestd.service.daemon import utc_now

SEED = 20_260_302  # any number: the same day comes out every time
DONE, NOT_AS_SCRIPTED, WRONG_USE = 0, 1, 2


class Photometers:
    """The four photometers of the laboratory, each with a clock of its own."""

    def __init__(self, zone: str, seed: int) -> None:
        def chance(number: int) -> random.Random:
            return random.Random(seed + number)

        self.bench_a = Photometer("Bench A", "A-2207", zone, POINT_TABLE, chance(1))
        self.bench_b = Photometer("Bench B", "B-0311", "Etc/UTC", COMMA_TABLE, chance(2))
        self.bench_c = Photometer("Bench C", "C-1840", "Etc/GMT-1", LABELLED_REPORT, chance(3))
        self.portable = Photometer("Portable", "P-0052", "Etc/UTC", WALK_TABLE, chance(4))


def run_demo(
    directory: Path,
    *,
    once: bool,
    echo: Callable[[str], None],
    log: Any,
    clock: Callable[[], datetime] = utc_now,
    pause_s: float = 15.0,
) -> int:
    """Work the day through, show what came of it, and, unless `once`, go on until stopped.

    Args:
        directory: for everything; empty, new, or an earlier demonstration's.
        once: end after the day.
        echo: takes each line for the person watching, without line end.
        log: a structlog logger, for the service.
        clock: the present instant, UTC; the day worked is the last working day before it.
        pause_s: between two runs when it goes on.

    Returns:
        0 if all came out as scripted, 1 if not or if it was ended before, 2 if the folder is
        not to be used.
    """
    stop = threading.Event()
    try:
        config, cleared = lay_out(directory)
    except ConfigError as error:
        echo(str(error))
        return WRONG_USE
    _greet(echo, config, directory, cleared=cleared)
    with _ending_on_signals(stop):
        laboratory = Laboratory(config, directory, clock=clock, log=log, stop=stop)
        try:
            return _work(laboratory, once=once, echo=echo, pause_s=pause_s)
        except Stopped as ended:
            echo(f"Ended before the day was over: {ended}.")
            return NOT_AS_SCRIPTED
        finally:
            laboratory.close()


def _work(laboratory: Laboratory, *, once: bool, echo: Echo, pause_s: float) -> int:
    site = laboratory.config.site
    day = working_day_before(laboratory.clock(), laboratory.zone)
    photometers = Photometers(site.time_zone, SEED)
    waters = Waters(random.Random(SEED))
    runs = runs_of(day, waters)
    laboratory.open()
    echo(f"The day is {day.date}, times are those of {site.time_zone}.")
    _load_plan(laboratory, day)
    echo("       Methods, kit lots, standards and sampling points are loaded.")
    seen = _morning(laboratory, day, runs, photometers, echo)
    _noon(laboratory, runs, seen, echo)
    _afternoon(laboratory, day, runs, photometers, echo)
    print_day(laboratory.ledger.conn, laboratory.config, echo)
    deviations = judge_script(laboratory.ledger.conn, runs, seen, echo)
    if not once:
        feed_on(laboratory, photometers, waters, echo, pause_s=pause_s)
    laboratory.end_service()
    proof = proof_of(laboratory.ledger.conn, laboratory.config, echo)
    for deviation in deviations:
        echo(f"Not as scripted: {deviation}")
    return NOT_AS_SCRIPTED if deviations or not proof else DONE


# --- the day ----------------------------------------------------------------------------------


def _load_plan(laboratory: Laboratory, day: Day) -> None:
    text = Template(data_text("plan.toml")).substitute(
        zone=laboratory.config.site.time_zone,
        next_year=day.date + timedelta(days=365),
        last_year=day.date - timedelta(days=365),
        two_weeks_before=day.date - timedelta(days=14),
    )
    laboratory.drop_plans({"plan.toml": text})


def _plan(laboratory: Laboratory, *runs: BenchRun) -> None:
    policy = laboratory.config.site.policy
    laboratory.drop_plans({run.name.replace(" ", "-") + ".csv": run.sheet(policy) for run in runs})


def _note(laboratory: Laboratory, run: BenchRun) -> None:
    for position, pairs in run.notes:
        laboratory.observe(run.name, position, *pairs, by=run.run.analyst)


def _morning(
    laboratory: Laboratory, day: Day, runs: DayRuns, photometers: Photometers, echo: Echo
) -> Sightings:
    _plan(laboratory, runs.cod_low, runs.cod_high, runs.ammonium, runs.walk)
    echo("08:15  Bench sheets for COD in both ranges and for ammonium are dropped.")

    pieces = [photometers.bench_c.export([one]) for one in runs.ammonium.read(photometers.bench_c)]
    path = laboratory.exports("bench-c") / f"ammonium-{day.date}.txt"
    write_in_strokes(path, pieces, laboratory.pause)
    laboratory.wait_for_readings("Bench C", 6)
    echo("09:38  Bench C: ammonium, a report written in many strokes and closed.")
    echo("       One tube is of an expired lot; one sample, S-0418, is on no sheet.")

    report = photometers.bench_c.export(runs.phosphate.read(photometers.bench_c))
    drop(laboratory.exports("bench-c") / f"phosphate-{day.date}.txt", report)
    laboratory.wait_for_readings("Bench C", 10)
    echo("10:22  Bench C: phosphate is read before anybody has planned it; it waits.")

    _note(laboratory, runs.cod_low)
    table = photometers.bench_b.export(runs.cod_low.read(photometers.bench_b))
    drop(laboratory.exports("bench-b") / f"cod-low-{day.date}.csv", table)
    laboratory.wait_for_readings("Bench B", 6)
    echo("10:47  Bench B: COD low, a table renamed into place. Its clock runs on UTC.")
    echo(f"       The river's sample was typed in as {MISTYPED}; it waits.")

    _note(laboratory, runs.cod_high)
    echo("10:50  The bench notes: end of digestion, block, one COD high tube turbid.")
    _append(laboratory, day, runs.cod_high, photometers.bench_a)
    laboratory.wait_for_readings("Bench A", 7)
    echo("11:02  Bench A: COD high, one row after another in a growing table. One tube")
    echo("       is above the range, one was read with another dilution than planned.")

    walk = photometers.portable.export(runs.walk.read(photometers.portable))
    drop(laboratory.exports("portable") / f"walk-{day.date}.tsv", walk)
    laboratory.wait(
        lambda: _failed(laboratory, "portable") == 1, "the portable photometer's file set aside"
    )
    echo("11:30  Portable: after a change of its settings no form fits; nothing is lost.")
    return Sightings(
        waited=frozenset(
            (one.reading.method or "", one.reading.sample or "")
            for one in waiting_readings(laboratory.ledger.conn)
        ),
        failed=_failed(laboratory, "portable"),
    )


def _append(laboratory: Laboratory, day: Day, run: BenchRun, photometer: Photometer) -> None:
    """The day's file of Bench A grows by the readings of a run, row by row."""
    path = laboratory.exports("bench-a") / f"readings-{day.date}.csv"
    for one in run.read(photometer):
        append_row(path, photometer.export([one], head=not path.exists()), laboratory.pause)
        laboratory.pause(0.05)


def _failed(laboratory: Laboratory, source: str) -> int:
    return laboratory.count(
        "SELECT count(*) FROM captures c JOIN capture_states s ON s.capture = c.id"
        " WHERE c.source = ? AND s.state = 'failed'",
        source,
    )


def _noon(laboratory: Laboratory, runs: DayRuns, seen: Sightings, echo: Echo) -> None:
    _plan(laboratory, runs.phosphate, runs.overflow)
    echo("11:40  The sheet for phosphate comes late; its four readings are placed. So does")
    echo("       one for S-0418 from the storm overflow.")

    river = next(pour for pour in runs.cod_low.pours if pour.typed == MISTYPED)
    seen.placed_by_hand = laboratory.place(
        MISTYPED,
        runs.cod_low.name,
        river.tube.position,
        by=runs.cod_low.run.analyst,
        reason=f"typed {MISTYPED} for {river.tube.sample}; only this tube was left",
    )
    echo(f"11:50  {MISTYPED} is placed by hand on the tube of {river.tube.sample}, with a reason.")

    laboratory.mend_form("walk_table.toml", walk_form("Mass per volume"), by=ADMIN)
    report = laboratory.replay_failed(
        "portable", by=ADMIN, reason="the form names the column as the photometer now does"
    )
    seen.replayed = report.taken
    echo(
        f"12:00  The portable's form is mended; replaying its file brings {report.taken} readings."
    )


def _afternoon(
    laboratory: Laboratory, day: Day, runs: DayRuns, photometers: Photometers, echo: Echo
) -> None:
    memo = laboratory.exports("portable") / "shopping.txt"
    drop(memo, "Buy tips for the 5 mL pipette.\nAsk the dairy about Thursday.\n")

    _plan(laboratory, runs.fast, runs.repeats, runs.cooling)
    echo("13:30  Bench sheets of the afternoon, one of them for repeats of the morning.")
    _note(laboratory, runs.fast)
    _append(laboratory, day, runs.fast, photometers.bench_a)
    laboratory.wait_for_readings("Bench A", 11)
    echo("14:14  Bench A: COD by fast digestion; shown equivalent for the works' own waste")
    echo("       water, not for the dairy's.")

    early = runs.cooling.read(photometers.bench_b)[:1]
    table = photometers.bench_b.export(early)
    drop(laboratory.exports("bench-b") / f"cod-low-2-{day.date}.csv", table)
    laboratory.wait_for_readings("Bench B", 7)
    echo("15:06  Bench B: a tube is read while its run is still in the block; it waits.")

    _note(laboratory, runs.repeats)
    _append(laboratory, day, runs.repeats, photometers.bench_a)
    laboratory.wait_for_readings("Bench A", 15)
    echo("15:19  Bench A: the tubes above the range and turbid are repeated, diluted.")

    laboratory.wait(lambda: _failed(laboratory, "portable") == 1, "a stray note set aside")
    echo("16:00  A note left in the portable's folder is no export; it is kept, as failed.")


# --- around it --------------------------------------------------------------------------------


def _greet(echo: Echo, config: Config, directory: Path, *, cleared: bool) -> None:
    echo(f"{config.site.name}: a demonstration")
    echo(f"Folder: {directory}")
    echo("Everything here is invented and is no working instruction. Hot tubes, acids,")
    echo("mercury and chromium salts: see the safety data sheets and your local rules.")
    if cleared:
        echo("The earlier demonstration in this folder was cleared away.")
    echo("")


@contextmanager
def _ending_on_signals(stop: threading.Event) -> Iterator[None]:
    """Within, SIGINT and SIGTERM set `stop`; only the main thread may ask for that."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {
        number: signal.signal(number, lambda *_: stop.set())
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
