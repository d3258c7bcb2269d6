"""The runs of a bench sheet: their tubes, checked one by one and against each other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Literal
from zoneinfo import ZoneInfo

from ingestd.model import Method, ObservationKey, Role, Run, Sample, SitePolicy, Tube
from ingestd.model.labels import label_key
from ingestd.plan.columns import REQUIRED, RUN_COLUMNS
from ingestd.plan.faults import ValueRefused, listed
from ingestd.plan.instants import local_text, parse_instant
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.observations import (
    SheetObservation,
    check_digestion,
    parse_observation,
)
from ingestd.plan.sheet_cells import Cell, SheetFaults, TubeRow, gather
from ingestd.plan.sheet_tubes import find_role, folded, look_up, plan_tube, words
from ingestd.plan.texts import parse_name

Order = Literal["by_name", "in_sheet_order"]

_NEEDS_SAMPLE_TUBE = frozenset({Role.DUPLICATE, Role.SPIKE, Role.COLOUR_BLANK})

# Columns that become observations of the run, and of the tube.
RUN_OBSERVATIONS: Mapping[str, ObservationKey] = {
    "digestion_start": "digestion_start",
    "digestion_end": "digestion_end",
    "block": "block",
    "block_temperature": "block_temperature",
    "reagent_added": "reagent_added",
    "turbidity": "turbidity",
    "zeroing": "zeroing",
}
TUBE_OBSERVATIONS: Mapping[str, ObservationKey] = {
    "tube_turbidity": "turbidity",
    "homogenised": "homogenised",
}


@dataclass(frozen=True, slots=True)
class RunPlanner:
    """What every run of a sheet is checked against, and where its faults go."""

    policy: SitePolicy
    zone: ZoneInfo
    in_force: KnownInputs
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
        method = look_up(cells.get("method"), self.in_force.methods, "method", self.faults)
        instrument = look_up(
            cells.get("instrument"), self.in_force.instruments, "instrument", self.faults
        )
        self._check_program(cells.get("program"), method)
        observations = self._observe_run(name, cells)
        tubes: list[tuple[TubeRow, Tube]] = []
        for row in rows:
            tube = plan_tube(row, method, self.policy, self.in_force, self.faults)
            if tube is not None:
                tubes.append((row, tube))
                observations += self._observe(name, tube.position, row.cells, TUBE_OBSERVATIONS)
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
        noted = self._observe(run, None, cells, RUN_OBSERVATIONS)
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
            if not tube.label:
                continue  # its sample is missing, which is said already
            line = labels.setdefault(label_key(tube.label), row.line)
            if line != row.line:
                self.faults.add(
                    row.line,
                    "label",
                    tube.label,
                    f"the label stands in run {run} twice, on line {line} too",
                    "write what the instrument prints for each of the two tubes",
                )

    def _check_partners(self, run: str, rows: Sequence[TubeRow]) -> None:
        planned = {row.text("sample") for row in rows if find_role(row) is Role.SAMPLE}
        for row in rows:
            role, cell = find_role(row), row.cells.get("sample")
            if role in _NEEDS_SAMPLE_TUBE and cell is not None and cell.text not in planned:
                self.faults.add_at(
                    cell,
                    f"run {run} has no tube with the role sample for this {words(role)}",
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


def _parse_order(text: str) -> Order:
    word = folded(text)
    if word == "by_name":
        return "by_name"
    if word == "in_sheet_order":
        return "in_sheet_order"
    raise ValueRefused("there is no such order", "write by_name or in_sheet_order")
