"""Everything the judgement of a run depends on, looked up in one open transaction.

Nothing is decided here: facts are collected from the ledger into one frozen value.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from ingestd import __version__
from ingestd.evaluate.local_time import local_day
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import POLICY, InForce, find_samples
from ingestd.model import (
    Dilution,
    DilutionStep,
    Instrument,
    Observation,
    Run,
    RunFacts,
    Sample,
    SampleValue,
    SamplingPoint,
    SitePolicy,
    StoredReading,
)
from ingestd.pipeline.forms import frame_forms
from ingestd.plan.dilution import parse_dilution

CONTROL_HISTORY = 60  # control values looked at for charts and uncertainty
POINT_HISTORY = 30  # earlier values of a sampling point


def gather_run(
    conn: Connection, stored: work.StoredRun, in_force: InForce, site: SitePolicy
) -> RunFacts:
    """The facts of one run as the ledger knows them now.

    Raises:
        KeyError: the run's method is not in the plan (loading a sheet checks that).
    """
    run = stored.run
    method = in_force.methods[run.method]
    readings = work.placed_readings(conn, run.name)
    observations = work.current_observations(conn, run.name)
    lots = {tube.lot for tube in run.tubes if tube.lot}
    lots |= {note.value for note in observations if note.key == "lot"}
    pins = {
        f"run {run.name}": stored.sha256,
        f"method {method.name}": in_force.hashes["method", method.name],
        "ingestd": __version__,
    }
    if ("site", POLICY) in in_force.hashes:
        pins[f"site {POLICY}"] = in_force.hashes["site", POLICY]
    samples = _samples(conn, {tube.sample for tube in run.tubes if tube.sample}, pins)
    points = _points({sample.point for sample in samples.values()}, in_force)
    names = {reading.instrument for group in readings.values() for reading in group}
    instruments = _instruments({*names, run.instrument}, in_force)
    dilution_steps = _dilution_steps(run, observations, in_force, site)
    for kind, used in (
        ("kit_lot", lots),
        ("control_standard", {tube.standard for tube in run.tubes}),
        ("instrument", set(instruments)),
        ("sampling_point", set(points)),
        ("calibration", {method.calibration or ""}),
        ("dilution_step", {step.name for step in dilution_steps}),
    ):
        for name in used:
            if (kind, name) in in_force.hashes:
                pins[f"{kind} {name}"] = in_force.hashes[kind, name]
    _pin_captures(conn, readings, pins)
    return RunFacts(
        run=run,
        method=method,
        site=site,
        readings=readings,
        observations=observations,
        lots={lot: in_force.of("kit_lot")[lot] for lot in lots if lot in in_force.of("kit_lot")},
        standards=in_force.of("control_standard"),
        samples=samples,
        points=points,
        instruments=instruments,
        calibrations=in_force.of("calibration"),
        comparisons=tuple(in_force.of("digestion_comparison").values()),
        dilution_steps=dilution_steps,
        competences=tuple(in_force.of("competence").values()),
        controls_elsewhere=work.controls_elsewhere(
            conn, method, run=run.name, day=stored.day, lots=lots
        ),
        control_history=work.control_history(
            conn, method.name, before=run.started_at, newest=CONTROL_HISTORY
        ),
        chart_limits=tuple(
            limits
            for limits in in_force.of("chart_limits").values()
            if limits.method == method.name
        ),
        companions=work.companions(conn, samples, run=run.name),
        point_history=_history(conn, stored, in_force, points),
        lot_use=work.lot_use(conn, lots),
        prompt_forms=frame_forms(in_force),
        pins=pins,
    )


def day_of(instant: datetime, site: SitePolicy) -> date:
    """The laboratory's day an instant belongs to."""
    return local_day(instant, site.time_zone).date()


def open_since(measured_at: datetime, open_days: int) -> datetime:
    """The earliest start of a run that still takes a reading of this instant."""
    return measured_at - timedelta(days=open_days)


def _samples(conn: Connection, codes: set[str], pins: dict[str, str]) -> dict[str, Sample]:
    found = find_samples(conn, codes)
    pins.update((f"sample {code}", sha256) for code, (_, sha256) in found.items())
    return {code: sample for code, (sample, _) in found.items()}


def _points(codes: set[str], in_force: InForce) -> dict[str, SamplingPoint]:
    known = in_force.of("sampling_point")
    return {code: known[code] for code in sorted(codes) if code in known}


def _instruments(names: set[str], in_force: InForce) -> dict[str, Instrument]:
    return {
        name: in_force.instruments[name] for name in sorted(names) if name in in_force.instruments
    }


def _dilution_steps(
    run: Run, observations: Sequence[Observation], in_force: InForce, site: SitePolicy
) -> tuple[DilutionStep, ...]:
    """The ways on record of making the dilutions of a run's tubes, as corrected at the bench."""
    known = in_force.of("dilution_step")
    if not known:
        return ()  # nothing to look for, in the tubes of every run of a replay
    noted = {note.position: note.value for note in observations if note.key == "dilution"}
    factors: set[Decimal] = set()
    for tube in run.tubes:
        text = noted.get(tube.position)
        dilution = tube.dilution if text is None else _as_noted(text, site)
        factors.update(dilution.factors if dilution else ())
    return tuple(known[name] for name in sorted(known) if known[name].factor in factors)


def _as_noted(text: str, site: SitePolicy) -> Dilution | None:
    try:
        return parse_dilution(text, site.one_to_n)
    except ValueError:
        return None  # a finding holds the tube until it is noted again


def _pin_captures(
    conn: Connection, readings: dict[int, tuple[StoredReading, ...]], pins: dict[str, str]
) -> None:
    for capture in sorted({r.capture for group in readings.values() for r in group}):
        sha256, form, form_sha256 = conn.execute(
            "SELECT c.sha256, s.form, s.form_sha256 FROM captures c"
            " JOIN capture_states s ON s.capture = c.id WHERE c.id = ?",
            (capture,),
        ).fetchone()
        pins[f"capture {capture}"] = sha256
        if form:
            pins[f"form {form}"] = form_sha256


def _history(
    conn: Connection,
    stored: work.StoredRun,
    in_force: InForce,
    points: dict[str, SamplingPoint],
) -> tuple[SampleValue, ...]:
    method = in_force.methods[stored.run.method]
    found: list[SampleValue] = []
    for code in points:
        found.extend(
            work.point_history(
                conn,
                code,
                method.analyte,
                method.fraction,
                method.basis,
                before=stored.run.started_at,
                newest=POINT_HISTORY,
            )
        )
    return tuple(found)
