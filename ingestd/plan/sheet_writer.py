"""Bench sheets as CSV text: runs written out, and runs drafted from readings that wait."""

import csv
import io
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from ingestd.model import Method, Run, Sample, SitePolicy, StoredReading, Tube
from ingestd.model.labels import label_key
from ingestd.plan.columns import COLUMNS, REQUIRED
from ingestd.plan.faults import PlanError, PlanFault, ValueRefused, shown
from ingestd.plan.instants import local_text, policy_zone
from ingestd.plan.observations import SheetObservation
from ingestd.plan.quantities import plain
from ingestd.plan.sheet_runs import RUN_OBSERVATIONS, TUBE_OBSERVATIONS
from ingestd.plan.texts import check_cell, parse_name

Delimiter = Literal[",", ";"]

UNKNOWN = "?"
"""What a draft holds where only a person can know; no column takes it."""

_INSTANTS = frozenset({"digestion_start", "digestion_end", "reagent_added"})


def write_bench_sheet(
    runs: Iterable[Run],
    policy: SitePolicy,
    *,
    samples: Mapping[str, Sample] | None = None,
    observations: Iterable[SheetObservation] = (),
    delimiter: Delimiter = ",",
) -> str:
    """Return the runs as a bench sheet in CSV that reads back as the same.

    Times are written with their offset, so that no change of clocks can touch them. Columns
    nobody fills are left out.

    Args:
        runs: in the order of the sheet.
        policy: the laboratory's time zone.
        samples: what is to be said of the samples, by code; said on the first row of each.
        observations: those a sheet has columns for; others are a ValueError.
        delimiter: comma or semicolon.

    """
    zone = policy_zone(policy)
    said = dict(samples or {})
    rows = []
    notes = [*observations]
    for run in runs:
        cells = {"method": run.method, **_run_cells(run, zone)}
        cells |= _noted(notes, run.name, None, zone)
        for tube in run.tubes:
            cells |= {"run": run.name, **_tube_cells(tube)}
            if tube.sample in said:
                cells |= _sample_cells(said.pop(tube.sample), zone)
            cells |= _noted(notes, run.name, tube.position, zone)
            rows.append(cells)
            cells = {}
    if notes:
        raise ValueError(f"no row of the sheet takes the observation {notes[0]}")
    return _csv(rows, delimiter, REQUIRED)


def draft_sheet(
    readings: Sequence[StoredReading],
    method: Method,
    run_name: str,
    started_at: datetime,
    policy: SitePolicy,
    *,
    dilution: str = UNKNOWN,
    delimiter: Delimiter = ",",
) -> str:
    """Return a bench sheet in CSV for readings that have none, for a person to check and load.

    One row for each name the instrument printed, all as samples. Readings without names give
    one row each, in order, to be read `in_sheet_order`; their samples are for the person to
    write. What the readings do not say stays empty or, where empty would mean something
    (an undiluted tube), holds a question mark that no sheet loads with.

    Args:
        readings: in the order they were taken.
        method: the method they belong to.
        run_name: name of the run to be planned.
        started_at: when it was started, aware.
        policy: the laboratory's time zone.
        dilution: what to write where the instrument states no dilution, e.g. `1`.
        delimiter: comma or semicolon.

    Raises:
        PlanError: no readings, some with names and some without, of another method, of several
            instruments without names, or with names that a bench sheet cannot hold.

    """
    faults = list(_draft_faults(readings, method))
    if faults:
        raise PlanError(faults)
    tubes: dict[str | int, list[StoredReading]] = {}
    for index, reading in enumerate(readings):
        key = label_key(reading.sample) if reading.sample else index
        tubes.setdefault(key, []).append(reading)
    instruments = {reading.instrument for reading in readings}
    cells = {"method": method.name, "started": local_text(started_at, policy_zone(policy))}
    if len(instruments) == 1:
        cells["instrument"] = instruments.pop()
    if not readings[0].sample:
        cells["order"] = "in_sheet_order"
    rows = []
    for position, of_tube in enumerate(tubes.values(), 1):
        name = of_tube[0].sample or ""
        factors = {plain(r.dilution): None for r in of_tube if r.dilution is not None}
        cells |= {"run": run_name, "position": str(position), "role": "sample", "sample": name}
        # Readings of one name that state several factors are for a person to sort out.
        cells |= {"label": name, "dilution": " or ".join(factors) or dilution}
        rows.append(cells)
        cells = {}
    return _csv(rows, delimiter, ("sample", "lot", *REQUIRED))


def _run_cells(run: Run, zone: ZoneInfo) -> dict[str, str]:
    return {
        "started": local_text(run.started_at, zone),
        "instrument": run.instrument,
        "analyst": run.analyst,
        "program": run.program,
        "prepared_at": local_text(run.prepared_at, zone) if run.prepared_at else "",
        "order": "" if run.order == "by_name" else run.order,
    }


def _tube_cells(tube: Tube) -> dict[str, str]:
    return {
        "position": str(tube.position),
        "role": tube.role.value,
        "sample": tube.sample,
        "label": tube.label,
        "dilution": "" if tube.dilution.text == "1" else tube.dilution.text,
        "lot": tube.lot,
        "standard": tube.standard,
        "spike_added": "" if tube.spike_added is None else plain(tube.spike_added),
        "expected": "" if tube.expected is None else plain(tube.expected),
        "repeats": tube.repeats,
    }


def _sample_cells(sample: Sample, zone: ZoneInfo) -> dict[str, str]:
    return {
        "point": sample.point,
        "matrix": sample.matrix,
        "sampled_at": local_text(sample.sampled_at, zone) if sample.sampled_at else "",
        "preserved_at": local_text(sample.preserved_at, zone) if sample.preserved_at else "",
        "preservation": sample.preservation,
        "chloride": "" if sample.chloride_mg_l is None else plain(sample.chloride_mg_l),
    }


def _noted(
    notes: list[SheetObservation], run: str, position: int | None, zone: ZoneInfo
) -> dict[str, str]:
    """Return the cells of what was noted about a run or tube, and take it off the notes."""
    columns = RUN_OBSERVATIONS if position is None else TUBE_OBSERVATIONS
    column_of = {key: column for column, key in columns.items()}
    cells = {}
    for note in [n for n in notes if (n.run, n.position) == (run, position)]:
        if note.key in column_of:
            value = note.value
            if note.key in _INSTANTS:
                value = local_text(datetime.fromisoformat(value), zone)
            cells[column_of[note.key]] = value
            notes.remove(note)
    return cells


def _csv(rows: Sequence[Mapping[str, str]], delimiter: str, kept: Collection[str]) -> str:
    filled = {column for row in rows for column, text in row.items() if text}
    names = [c.name for c in COLUMNS if c.name in filled or c.name in kept]
    text = io.StringIO()
    writer = csv.DictWriter(text, names, delimiter=delimiter, lineterminator="\n", restval="")
    writer.writeheader()
    for row in rows:
        writer.writerow({column: value for column, value in row.items() if value})
    return text.getvalue()


def _draft_faults(readings: Sequence[StoredReading], method: Method) -> Iterable[PlanFault]:
    if not readings:
        yield _fault(
            "readings", "", "there are no readings to plan a run for", "name some that wait"
        )
        return
    named = [reading for reading in readings if reading.sample]
    if named and len(named) < len(readings):
        yield _fault(
            "readings",
            f"{len(named)} of {len(readings)}",
            "some of the readings have a printed name and some have none",
            "plan a run for each of the two kinds",
        )
    instruments = sorted({reading.instrument for reading in readings})
    if not named and len(instruments) > 1:
        yield _fault(
            "readings",
            ", ".join(instruments),
            "readings without names come from several instruments",
            "plan a run for each instrument",
        )
    printed = {label_key(name) for name in (method.name, *method.printed_names)}
    for reading in readings:
        place = f"reading {reading.id}"
        if reading.method and label_key(reading.method) not in printed:
            yield _fault(
                place,
                reading.method,
                f"the instrument names another method than {method.name}",
                "leave the reading out, or plan the run by its method",
            )
        try:
            check_cell(reading.sample or "")
            parse_name(reading.sample or "")
        except ValueRefused as refused:
            yield _fault(
                place, reading.sample or "", refused.problem, "plan and place this one by hand"
            )


def _fault(place: str, value: str, problem: str, remedy: str) -> PlanFault:
    return PlanFault(
        file="", line=0, column=place, value=shown(value), problem=problem, remedy=remedy
    )
