"""A bench sheet, one row a tube, as the runs it plans, with their samples and observations.

The rows come as texts. Sample columns are gathered over the rows of a sample and run columns
over those of a run; then tubes, runs and samples are checked against each other and against
what is already known. Faults are collected all the way, and one refuses the sheet as a whole.
"""

from dataclasses import dataclass

from ingestd.model import Run, Sample, SitePolicy
from ingestd.plan.faults import PlanError
from ingestd.plan.instants import policy_zone
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.observations import SheetObservation
from ingestd.plan.sheet_cells import SheetFaults, TubeRow, read_header, read_tube_row
from ingestd.plan.sheet_rows import read_rows
from ingestd.plan.sheet_runs import RunPlanner
from ingestd.plan.sheet_samples import plan_samples
from ingestd.plan.texts import parse_name


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPlan:
    """All that one bench sheet plans.

    Attributes:
        samples: those that are new, or of which the sheet says more than is known.
        runs: in the order in which the sheet begins them; tubes by position.
        observations: run by run, those of the whole run first.
        read_as: how the bytes were taken, for the person who loads the sheet.
    """

    samples: tuple[Sample, ...]
    runs: tuple[Run, ...]
    observations: tuple[SheetObservation, ...]
    read_as: str


def read_bench_sheet(
    data: bytes, file: str, policy: SitePolicy, in_force: KnownInputs
) -> SheetPlan:
    """Return the runs, samples and observations of a bench sheet, checked.

    Args:
        data: CSV in UTF-8 with commas or semicolons, or XLSX (first worksheet).
        file: its name, for faults.
        policy: the laboratory's time zone, and how `1:10` is read.
        book: what is known already.

    Raises:
        PlanError: every fault of the sheet; nothing of it is planned.

    """
    sheet = read_rows(data, file)
    faults = SheetFaults(file)
    header = read_header(sheet.rows[0], faults)
    if faults.in_order():
        raise PlanError(faults.in_order())  # under a wrong header every cell would be a fault
    rows = [read_tube_row(row, header, faults) for row in sheet.rows[1:]]
    if not rows:
        faults.add(sheet.rows[0].line, "", "", "the sheet has no tubes", "write one row a tube")
    by_run: dict[str, list[TubeRow]] = {}
    for row in rows:
        name = faults.read(row.cells.get("run"), parse_name)
        if name is not None:
            by_run.setdefault(name, []).append(row)
    zone = policy_zone(policy)
    samples = plan_samples(rows, zone, in_force, faults)
    planner = RunPlanner(policy, zone, in_force, samples, faults)
    plans = [planner.plan_run(name, members) for name, members in by_run.items()]
    if faults.in_order():
        raise PlanError(faults.in_order())
    return SheetPlan(
        samples=tuple(s for s in samples.values() if s != in_force.samples.get(s.code)),
        runs=tuple(run for run, _ in plans if run is not None),
        observations=tuple(noted for _, observations in plans for noted in observations),
        read_as=sheet.read_as,
    )
