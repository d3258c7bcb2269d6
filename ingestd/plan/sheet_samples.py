"""The samples of a bench sheet: what its rows say of each, put to what is known already."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingestd.model import Sample
from ingestd.plan.columns import SAMPLE_COLUMNS
from ingestd.plan.faults import ValueRefused, listed, shown
from ingestd.plan.instants import local_text, parse_instant
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.quantities import parse_quantity
from ingestd.plan.sheet_cells import Cell, SheetFaults, TubeRow, gather
from ingestd.plan.texts import parse_name

_ATTRIBUTE = {column: column for column in SAMPLE_COLUMNS} | {"chloride": "chloride_mg_l"}


def plan_samples(
    rows: Sequence[TubeRow], zone: ZoneInfo, in_force: KnownInputs, faults: SheetFaults
) -> dict[str, Sample]:
    """Return every sample the sheet names, by code, completed from what is known.

    A sheet adds to what is known of a sample. What it says otherwise is a fault, lest a slip in
    a code moves another sample to a wrong point, unless the sample came in by a sheet of the
    same run and this is its newer version.
    """
    by_code: dict[str, list[TubeRow]] = {}
    for row in rows:
        code = faults.read(row.cells.get("sample"), parse_name)
        if code is not None:
            by_code.setdefault(code, []).append(row)
        elif not row.is_filled("sample"):
            for column in SAMPLE_COLUMNS:
                if column in row.cells:
                    faults.add_at(
                        row.cells[column],
                        "the row has no sample to say this of",
                        "write the sample's code, or leave the cell empty",
                    )
    return {
        code: _plan_sample(code, members, zone, in_force, faults)
        for code, members in by_code.items()
    }


def _plan_sample(
    code: str, rows: Sequence[TubeRow], zone: ZoneInfo, in_force: KnownInputs, faults: SheetFaults
) -> Sample:
    cells = gather(rows, SAMPLE_COLUMNS, f"sample {code}", faults)
    parsers: Mapping[str, Callable[[str], Any]] = {
        "point": lambda text: _known_point(text, in_force),
        "matrix": parse_name,
        "sampled_at": lambda text: parse_instant(text, zone),
        "preserved_at": lambda text: parse_instant(text, zone),
        "preservation": parse_name,
        "chloride": parse_quantity,
    }
    said = {}
    for column, cell in cells.items():
        value = faults.read(cell, parsers[column])
        if value is not None:
            said[column] = value
    known = in_force.samples.get(code)
    own = known is None or in_force.sample_runs.get(code) in {row.text("run") for row in rows}
    for column, value in said.items():
        before = getattr(known, _ATTRIBUTE[column], None)
        if not own and before not in (None, "", value):
            faults.add_at(
                cells[column],
                f"sample {code} is known with {shown(_in_words(before, zone))}",
                "check the code; if the sheet is right, load the sample corrected in a plan file, "
                "else leave the cell empty",
            )
    sample = replace(
        known or Sample(code=code), **{_ATTRIBUTE[column]: value for column, value in said.items()}
    )
    _check_preserving(sample, cells, zone, faults)
    return sample


def _check_preserving(
    sample: Sample, cells: Mapping[str, Cell], zone: ZoneInfo, faults: SheetFaults
) -> None:
    sampled, preserved = sample.sampled_at, sample.preserved_at
    cell = cells.get("preserved_at") or cells.get("sampled_at")
    if cell and sampled and preserved and preserved < sampled:
        faults.add_at(
            cell,
            f"sample {sample.code} was preserved at {local_text(preserved, zone)}, before it was "
            f"taken at {local_text(sampled, zone)}",
            "correct one of the two times",
        )


def _known_point(text: str, in_force: KnownInputs) -> str:
    if text not in in_force.points:
        raise ValueRefused(
            "there is no such sampling point",
            f"use a known one ({listed(in_force.points)}), or load it as [[sampling_point]] first",
        )
    return text


def _in_words(value: object, zone: ZoneInfo) -> str:
    return local_text(value, zone) if isinstance(value, datetime) else str(value)
