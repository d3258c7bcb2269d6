"""The runs of a bench sheet: their tubes, checked one by one and against each other."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from ingestd.model import UNDILUTED, Method, ObservationKey, Role, Run, Sample, SitePolicy, Tube
from ingestd.plan.book import PlanBook
from ingestd.plan.columns import BY_NAME, REQUIRED, RUN_COLUMNS
from ingestd.plan.constraints import constrain
from ingestd.plan.dilution import parse_dilution
from ingestd.plan.faults import ValueRefused, listed
from ingestd.plan.instants import local_text, parse_instant
from ingestd.plan.observations import (
    SheetObservation,
    check_digestion,
    check_lot,
    parse_observation,
)
from ingestd.plan.quantities import parse_quantity
from ingestd.plan.sheet_cells import Cell, SheetFaults, TubeRow, gather
from ingestd.plan.texts import parse_name

T = TypeVar("T")
Order = Literal["by_name", "in_sheet_order"]

_TUBE = TypeAdapter(Tube)
_POSITION = re.compile(r"[1-9][0-9]{0,3}")

_RUN_OBSERVATIONS: Mapping[str, ObservationKey] = {
    "digestion_start": "digestion_start",
    "digestion_end": "digestion_end",
    "block": "block",
    "block_temperature": "block_temperature",
    "reagent_added": "reagent_added",
    "turbidity": "turbidity",
    "zeroing": "zeroing",
}
_TUBE_OBSERVATIONS: Mapping[str, ObservationKey] = {
    "tube_turbidity": "turbidity",
    "homogenised": "homogenised",
}

# Columns that these roles need and no other has.
_BELONGS_TO = {
    "sample": frozenset({Role.SAMPLE, Role.DUPLICATE, Role.SPIKE, Role.COLOUR_BLANK}),
    "standard": frozenset({Role.CONTROL_STANDARD}),
    "spike_added": frozenset({Role.SPIKE}),
}
_NEEDS_SAMPLE_TUBE = frozenset({Role.DUPLICATE, Role.SPIKE, Role.COLOUR_BLANK})
_LABEL_SUFFIX = {
    Role.SAMPLE: "",
    Role.DUPLICATE: " dup",
    Role.SPIKE: " spike",
    Role.COLOUR_BLANK: " colour blank",
}


def default_label(role: Role, sample: str, position: int) -> str:
    """Return the label of a tube whose sheet gives none, e.g. `W-0417 dup` or `blank 1`."""
    if role in _LABEL_SUFFIX:
        return sample + _LABEL_SUFFIX[role]
    return f"{_words(role)} {position}"


@dataclass(frozen=True, slots=True)
class RunPlanner:
    """What every run of a sheet is checked against, and where its faults go."""

    policy: SitePolicy
    zone: ZoneInfo
    book: PlanBook
    samples: Mapping[str, Sample]
    faults: SheetFaults

    def plan_run(
        self, name: str, rows: Sequence[TubeRow]
    ) -> tuple[Run | None, list[SheetObservation]]:
        """Return the run, None where it has faults, and what the sheet observes about it."""
        cells = gather(rows, RUN_COLUMNS, f"run {name}", self.faults)
        for column in RUN_COLUMNS:
            if column in REQUIRED and not any(row.is_filled(column) for row in rows):
                self.faults.add(
                    rows[0].line,
                    column,
                    "",
                    f"the cell is empty on every row of run {name}",
                    "fill it on one of them",
                )
        method = self._look_up(cells.get("method"), self.book.methods)
        instrument = self._look_up(cells.get("instrument"), self.book.instruments)
        self._check_program(cells.get("program"), method)
        observations = self._observe_run(name, cells)
        tubes: list[tuple[TubeRow, Tube]] = []
        for row in rows:
            tube = self._plan_tube(row, method)
            if tube is not None:
                tubes.append((row, tube))
                observations += self._observe(name, tube.position, row.cells, _TUBE_OBSERVATIONS)
        self._check_unique(name, tubes)
        self._check_partners(name, rows)
        started_at = self._instant(cells.get("started"))
        prepared_at = self._instant(cells.get("prepared_at"))
        self._check_sampling(prepared_at or started_at, rows)
        order = self.faults.read(cells.get("order"), _parse_order)
        analyst = self.faults.read(cells.get("analyst"), parse_name)
        if method is None or started_at is None:
            return None, observations
        run = Run(
            name=name,
            method=method.name,
            started_at=started_at,
            instrument=instrument.name if instrument else "",
            analyst=analyst or "",
            program=cells["program"].text if "program" in cells else "",
            prepared_at=prepared_at,
            order=order or "by_name",
            tubes=tuple(sorted((tube for _, tube in tubes), key=lambda tube: tube.position)),
        )
        return run, observations

    # --- run columns -----------------------------------------------------------------------

    def _look_up(self, cell: Cell | None, known: Mapping[str, T]) -> T | None:
        if cell is not None and cell.text not in known:
            self.faults.add_at(
                cell,
                f"there is no such {cell.column}",
                f"use a known one ({listed(known)}), or load it as [[{cell.column}]] first",
            )
        return known.get(cell.text) if cell else None

    def _check_program(self, cell: Cell | None, method: Method | None) -> None:
        if cell is None or method is None:
            return
        programs = [program.name for program in method.programs]
        if cell.text not in programs:
            self.faults.add_at(
                cell,
                f"method {method.name} has no such digestion program",
                f"use one of its own ({listed(programs)})" if programs else "leave the cell empty",
            )

    def _instant(self, cell: Cell | None) -> datetime | None:
        return self.faults.read(cell, lambda text: parse_instant(text, self.zone))

    def _observe_run(self, run: str, cells: Mapping[str, Cell]) -> list[SheetObservation]:
        noted = self._observe(run, None, cells, _RUN_OBSERVATIONS)
        try:
            check_digestion({observation.key: observation.value for observation in noted})
        except ValueRefused as refused:
            self.faults.add_at(cells["digestion_end"], refused.problem, refused.remedy)
        return noted

    def _observe(
        self,
        run: str,
        position: int | None,
        cells: Mapping[str, Cell],
        keys: Mapping[str, ObservationKey],
    ) -> list[SheetObservation]:
        noted = []
        for column, key in keys.items():
            value = self.faults.read(
                cells.get(column), partial(parse_observation, key, zone=self.zone)
            )
            if value is not None:
                noted.append(SheetObservation(run=run, position=position, key=key, value=value))
        return noted

    # --- tubes -----------------------------------------------------------------------------

    def _plan_tube(self, row: TubeRow, method: Method | None) -> Tube | None:
        """Return the tube of one row, None where it cannot be told."""
        cells, read = row.cells, self.faults.read
        role = read(cells.get("role"), parse_role)
        position = read(cells.get("position"), _parse_position)
        dilution = read(
            cells.get("dilution"), lambda text: parse_dilution(text, self.policy.one_to_n)
        )
        texts = {
            column: read(cells.get(column), parse_name) or ""
            for column in ("label", "lot", "standard")
        }
        numbers = {
            column: read(cells.get(column), parse_quantity)
            for column in ("spike_added", "expected")
        }
        self._look_up(cells.get("standard"), self.book.standards)
        if method is not None:
            read(cells.get("lot"), lambda lot: check_lot(lot, method.name, self.book.lots))
        if role is None or position is None:
            return None
        self._check_belonging(row, role)
        sample = row.text("sample") if role in _BELONGS_TO["sample"] else ""
        tube, broken = constrain(
            _TUBE,
            {
                "position": position,
                "role": role,
                "sample": sample,
                "dilution": dilution or UNDILUTED,
                "repeats": row.text("repeats"),
                **texts,
                **numbers,
                "label": texts["label"] or default_label(role, sample, position),
            },
        )
        for fault in broken or ():
            column = str(fault.path[0])
            self.faults.add(row.line, column, row.text(column), fault.problem, fault.remedy)
        return tube

    def _check_belonging(self, row: TubeRow, role: Role) -> None:
        for column, roles in _BELONGS_TO.items():
            if role in roles and not row.is_filled(column):
                self.faults.add(
                    row.line,
                    column,
                    "",
                    f"the cell is empty, and the role {_words(role)} needs it",
                    f"fill it: {BY_NAME[column].meaning}",
                )
            elif role not in roles and column in row.cells:
                self.faults.add_at(
                    row.cells[column],
                    f"the role {_words(role)} has no {_words(column)}",
                    "leave the cell empty, or correct the role",
                )

    # --- tubes against each other ----------------------------------------------------------

    def _check_unique(self, run: str, tubes: Sequence[tuple[TubeRow, Tube]]) -> None:
        positions: dict[int, int] = {}
        labels: dict[str, int] = {}
        for row, tube in tubes:
            line = positions.setdefault(tube.position, row.line)
            if line != row.line:
                self.faults.add(
                    row.line,
                    "position",
                    str(tube.position),
                    f"the tube is planned twice in run {run}, on line {line} too",
                    "give each tube a position of its own, or delete one of the two rows",
                )
                continue  # its label would only repeat the fault
            line = labels.setdefault(fold_label(tube.label), row.line)
            if line != row.line:
                self.faults.add(
                    row.line,
                    "label",
                    tube.label,
                    f"the label stands in run {run} twice, on line {line} too",
                    "write what the instrument prints for each of the two tubes",
                )

    def _check_partners(self, run: str, rows: Sequence[TubeRow]) -> None:
        planned = {row.text("sample") for row in rows if _role_of(row) is Role.SAMPLE}
        for row in rows:
            role, cell = _role_of(row), row.cells.get("sample")
            if role in _NEEDS_SAMPLE_TUBE and cell is not None and cell.text not in planned:
                self.faults.add_at(
                    cell,
                    f"run {run} has no tube with the role sample for this {_words(role)}",
                    "plan the sample itself in the same run, or correct the code",
                )

    def _check_sampling(self, begun_at: datetime | None, rows: Sequence[TubeRow]) -> None:
        checked = set()
        for row in rows:
            sample = self.samples.get(row.text("sample"))
            if sample is None or sample.code in checked:
                continue
            checked.add(sample.code)
            if begun_at and sample.sampled_at and sample.sampled_at > begun_at:
                taken = local_text(sample.sampled_at, self.zone)
                self.faults.add(
                    row.line,
                    "sampled_at",
                    row.text("sampled_at"),
                    f"sample {sample.code} was taken at {taken}, after the work on it began at "
                    f"{local_text(begun_at, self.zone)}",
                    "correct one of the two times",
                )


def parse_role(text: str) -> Role:
    """Return the role of that name; blanks and capitals are taken for what they are.

    Raises:
        ValueRefused: there is no such role.

    """
    word = _word(text)
    if word not in set(Role):
        raise ValueRefused("there is no such role", f"write one of {', '.join(Role)}")
    return Role(word)


def fold_label(label: str) -> str:
    """Return a label as labels are compared: blanks collapsed, capitals alike."""
    return " ".join(label.split()).casefold()


def _role_of(row: TubeRow) -> Role | None:
    word = _word(row.text("role"))
    return Role(word) if word in set(Role) else None


def _word(text: str) -> str:
    return "_".join(text.casefold().split())


def _words(word: str) -> str:
    return word.replace("_", " ")


def _parse_position(text: str) -> int:
    if not _POSITION.fullmatch(text):
        raise ValueRefused("this is not a position", "write a whole number from 1 to 9999")
    return int(text)


def _parse_order(text: str) -> Order:
    word = _word(text)
    if word == "by_name":
        return "by_name"
    if word == "in_sheet_order":
        return "in_sheet_order"
    raise ValueRefused("there is no such order", "write by_name or in_sheet_order")
