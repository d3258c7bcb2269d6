"""Inputs into force: bench sheets, plan files, forms, observations, and what they touch.

Every input is a capture first. Whoever commits a changed input judges every run it touches in
that same transaction; readings that waited for it are tried again.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingestd.config import Config
from ingestd.errors import Refused
from ingestd.ledger import work
from ingestd.ledger.bodies import body_of, sha256_of
from ingestd.ledger.captures import Capture, close_capture, get_capture
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce, InForceCache, find_sample, input_name, take_input
from ingestd.ledger.store import Change, Ledger, content_sha256
from ingestd.model import Run, Sample, Tube
from ingestd.model.labels import label_key
from ingestd.pipeline.capture_store import store_arrival
from ingestd.pipeline.forms import shipped_forms, take_form
from ingestd.pipeline.judge import judge_runs
from ingestd.pipeline.place import retry_waiting, waits_again
from ingestd.pipeline.run_facts import day_of
from ingestd.plan.bench_sheet import SheetPlan, read_bench_sheet
from ingestd.plan.faults import PlanError
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.observations import SheetObservation, parse_observations
from ingestd.plan.plan_file import TABLES, read_plan_file
from ingestd.plan.references import missing_references
from ingestd.sources.arrivals import Arrival
from ingestd.times import stamp
from parsers import FormError

PLAN_SOURCE = "plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a plan brought: inputs and runs that are new or say something new."""

    inputs: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    judged: tuple[str, ...] = ()

    def __str__(self) -> str:
        parts = []
        if self.inputs:
            parts.append(
                f"{len(self.inputs)} inputs ({', '.join(self.inputs[:6])}"
                f"{', …' if len(self.inputs) > 6 else ''})"
            )
        if self.runs:
            parts.append(f"runs {', '.join(self.runs)}")
        return "; ".join(parts) or "nothing new"


class _Samples(Mapping[str, Sample]):
    """The samples of a ledger, fetched one by one."""

    def __init__(self, conn: Connection) -> None:
        self._conn = conn

    def __getitem__(self, code: str) -> Sample:
        found = find_sample(self._conn, code)
        if found is None:
            raise KeyError(code)
        return found[0]

    def __iter__(self) -> Iterator[str]:
        rows = self._conn.execute("SELECT DISTINCT name FROM inputs WHERE kind = 'sample'")
        return iter([name for (name,) in rows])

    def __len__(self) -> int:
        return sum(1 for _ in self)


class _SampleRuns(Mapping[str, str]):
    """The run that brought each sample in."""

    def __init__(self, conn: Connection) -> None:
        self._conn = conn

    def __getitem__(self, code: str) -> str:
        row = self._conn.execute(
            "SELECT run FROM tubes WHERE sample = ? AND sample <> ''"
            " ORDER BY started_at, run LIMIT 1",
            (code,),
        ).fetchone()
        if row is None:
            raise KeyError(code)
        return str(row[0])

    def __iter__(self) -> Iterator[str]:
        rows = self._conn.execute("SELECT DISTINCT sample FROM tubes WHERE sample <> ''")
        return iter([name for (name,) in rows])

    def __len__(self) -> int:
        return sum(1 for _ in self)


def plan_book(conn: Connection, in_force: InForce) -> KnownInputs:
    """What a new plan is checked against."""
    return KnownInputs(
        methods=in_force.methods,
        lots=in_force.of("kit_lot"),
        standards=in_force.of("control_standard"),
        samples=_Samples(conn),
        instruments=in_force.instruments,
        points=in_force.of("sampling_point"),
        sample_runs=_SampleRuns(conn),
    )


def load_file(
    ledger: Ledger,
    name: str,
    data: bytes,
    in_force_cache: InForceCache,
    config: Config,
    *,
    at: datetime,
    by: str,
) -> Loaded:
    """Store a plan as a capture and put it into force.

    Raises:
        PlanError, FormError, Refused: nothing of it is in force; the capture is kept as failed.
    """
    arrival = Arrival(
        source=PLAN_SOURCE,
        name=name,
        pieces=(data,),
        size=len(data),
        sha256=content_sha256(data),
        final=True,
        seen_at=at,
    )
    with ledger.change(at=at, by=by) as change:
        ident, _ = store_arrival(change, arrival, kind="plan")
    capture = get_capture(ledger.conn, ident)
    try:
        return load_capture(ledger, capture, data, in_force_cache, config, at=at, by=by)
    except (PlanError, FormError, Refused) as error:
        with ledger.change(at=at, by=by) as change:
            close_capture(change, capture, state="failed", final=True, reason=str(error))
        raise


def load_capture(
    ledger: Ledger,
    capture: Capture,
    data: bytes,
    in_force_cache: InForceCache,
    config: Config,
    *,
    at: datetime,
    by: str,
    system_user: str | None = None,
    replayed: str = "",
) -> Loaded:
    """Put a stored plan into force: all of it in one transaction, or nothing.

    Args:
        replayed: why it is tried again, where it is.

    Raises:
        PlanError, FormError, Refused: what is wrong, with file, line, column, value and remedy.
    """
    if capture.oversize:
        raise Refused(capture.name, "the file is over the size limit", "split the plan")
    suffix = capture.name.rpartition(".")[2].lower()
    stem = capture.name.rpartition("/")[2].rpartition(".")[0] or capture.name
    with ledger.change(at=at, by=by, system_user=system_user) as change:
        if replayed:
            change.record("replayed", capture=capture.id, reason=replayed)
        if suffix == "toml" and _is_form(data):
            taken = take_form(change, stem, data, capture=capture.id)
            loaded = Loaded(inputs=(f"form {stem}",) if taken else ())
        elif suffix == "toml":
            loaded = _take_plan_file(change, capture, data, in_force_cache, config)
        elif suffix in ("csv", "xlsx", "txt"):
            in_force = plan_book(change.conn, in_force_cache.current(change.conn))
            sheet = read_bench_sheet(data, capture.name, config.site.policy, in_force)
            loaded = take_sheet(change, sheet, capture.id, in_force_cache, config)
        else:
            raise Refused(
                capture.name,
                f"a plan cannot be a .{suffix} file",
                "bench sheets are .csv or .xlsx, plan files and forms .toml",
            )
        close_capture(
            change,
            capture,
            state="read",
            final=True,
            complete_to=capture.size,
            reason=str(loaded),
        )
    return loaded


def _is_form(data: bytes) -> bool:
    try:
        return "shape" in tomllib.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return False  # the plan file's reader says where and why


def _take_plan_file(
    change: Change, capture: Capture, data: bytes, in_force_cache: InForceCache, config: Config
) -> Loaded:
    items = read_plan_file(data, capture.name, config.site.policy)
    in_force = plan_book(change.conn, in_force_cache.current(change.conn))
    if missing := missing_references(items, in_force, capture.name):
        raise PlanError(missing)
    taken = []
    for kind, table in TABLES.items():
        for value in getattr(items, table.items):
            if take_input(change, kind, value, capture=capture.id):
                taken.append((kind, value))
    runs = touched_runs(change, taken)
    judge_runs(change, runs, in_force_cache, config.site.policy, cause=f"plan {capture.name}")
    return Loaded(
        inputs=tuple(f"{kind} {input_name(kind, value)}" for kind, value in taken),
        judged=tuple(runs),
    )


def take_sheet(
    change: Change, sheet: SheetPlan, capture: int, in_force_cache: InForceCache, config: Config
) -> Loaded:
    """Put the runs, samples and observations of a checked bench sheet into force."""
    samples = [s for s in sheet.samples if take_input(change, "sample", s, capture=capture)]
    planned = [run for run in sheet.runs if _plan_run(change, run, capture, config)]
    names = {run.name for run in planned}
    noted: dict[str, None] = {}
    for note in sheet.observations:
        if note.run in names or not _was_noted(change.conn, note):
            record_observation(change, note.run, note.position, note.key, note.value)
            noted[note.run] = None
    # A sheet handed in again with a cell filled or corrected plans nothing new, but notes it.
    told = [run for run in sheet.runs if run.name in names or run.name in noted]
    labels = {label_key(tube.label) for run in told for tube in run.tubes}
    if any(run.order == "in_sheet_order" for run in told):
        labels.add("")
    filled = retry_waiting(change, labels, in_force_cache, config.plan.open_days)
    touched = touched_runs(change, [("sample", s) for s in samples])
    judged = [*(run.name for run in told), *filled, *touched]
    judge_runs(change, judged, in_force_cache, config.site.policy, cause="bench sheet")
    return Loaded(
        inputs=tuple(f"sample {sample.code}" for sample in samples),
        runs=tuple(run.name for run in planned),
        judged=tuple(dict.fromkeys(judged)),
    )


def _was_noted(conn: Connection, note: SheetObservation) -> bool:
    """Whether this very thing was noted before, be it that something else was noted since.

    The same sheet handed in again must not undo what people have noted after it.
    """
    row = conn.execute(
        "SELECT 1 FROM observations WHERE run = ? AND position IS ? AND key = ? AND value = ?",
        (note.run, note.position, note.key, note.value),
    ).fetchone()
    return row is not None


def _plan_run(change: Change, run: Run, capture: int, config: Config) -> bool:
    """Plan a run, or a new version of it; False if the ledger already says the same."""
    change.flush()
    body = body_of(run)
    digest = sha256_of(body)
    before = work.find_run(change.conn, run.name)
    if before is not None and before.sha256 == digest:
        return False
    change.record(
        "run_planned",
        version=before.version + 1 if before else 1,
        capture=capture,
        day=day_of(run.started_at, config.site.policy).isoformat(),
        started_at=stamp(run.started_at),
        body=body,
        sha256=digest,
    )
    if before is not None:
        _unplace_moved(change, before.run, run)
    change.flush()
    return True


def _unplace_moved(change: Change, old: Run, new: Run) -> None:
    """Readings of positions that now hold another tube wait again, lest they change samples."""

    def sense(tube: Tube) -> tuple[str, str, str]:
        return label_key(tube.label), tube.sample, tube.role

    now = {tube.position: sense(tube) for tube in new.tubes}
    for position, readings in work.placed_readings(change.conn, old.name).items():
        was = next((sense(tube) for tube in old.tubes if tube.position == position), None)
        if was is not None and now.get(position) != was:
            for reading in readings:
                waits_again(
                    change, reading, f"The sheet of run {new.name} changed tube {position}."
                )


def touched_runs(change: Change, taken: Sequence[tuple[str, Any]]) -> list[str]:
    """Runs that changed inputs touch and that are not settled: incomplete, or with a result
    that is neither released nor withdrawn.
    """
    change.flush()
    unsettled = (
        "(r.complete = 0 OR EXISTS (SELECT 1 FROM results x WHERE x.run = r.name"
        " AND x.state NOT IN ('released', 'withdrawn')))"
    )
    found: dict[str, None] = {}
    for kind, value in taken:
        match kind:
            case "method":
                where, key = "r.method = ?", value.name
            case "calibration" | "digestion_comparison" | "competence" | "chart_limits":
                where, key = "r.method = ?", value.method
            case "kit_lot":
                where = "r.name IN (SELECT run FROM tubes WHERE lot = ?)"
                key = value.lot
            case "sample":
                where = "r.name IN (SELECT run FROM tubes WHERE sample = ? AND sample <> '')"
                key = value.code
            case "instrument":
                where = (
                    "r.name IN (SELECT p.run FROM placements p JOIN readings d ON d.id = p.reading"
                    " WHERE d.instrument = ?)"
                )
                key = value.name
            case "control_standard":
                where = "instr(r.body, ?) > 0"
                key = f'"standard":"{value.lot}"'
            case "dilution_step":
                # By any factor it ever had, for runs that used it and now must do without; what
                # was noted at the bench may be of any factor.
                where = (
                    "(EXISTS (SELECT 1 FROM json_each(r.body, '$.tubes') t,"
                    " json_each(t.value, '$.dilution.steps') s WHERE CAST(s.value AS REAL) IN"
                    " (SELECT CAST(json_extract(i.body, '$.factor') AS REAL) FROM inputs i"
                    " WHERE i.kind = 'dilution_step' AND i.name = ?))"
                    " OR EXISTS (SELECT 1 FROM observations o WHERE o.run = r.name"
                    " AND o.key = 'dilution'))"
                )
                key = value.name
            case "site":
                where, key = "?", 1  # every run
            case _:
                continue
        rows = change.conn.execute(
            f"SELECT r.name FROM runs r WHERE {where} AND {unsettled} ORDER BY r.started_at",  # noqa: S608 - fixed texts
            (key,),
        )
        found.update((name, None) for (name,) in rows)
    return list(found)


def record_observation(
    change: Change, run: str, position: int | None, key: str, value: str
) -> int:
    """Journal one observation; returns its id."""
    ident = change.new_id("observations")
    change.record("observed", id=ident, run=run, position=position, key=key, value=value)
    return ident


def observe(
    change: Change,
    run_name: str,
    position: int | None,
    pairs: Sequence[str],
    in_force_cache: InForceCache,
    config: Config,
) -> int:
    """Note KEY=VALUE pairs about a run or one of its tubes, and judge it anew.

    Returns:
        How many observations were noted.

    Raises:
        PlanError: what is wrong with which pair. Refused: there is no such run.
    """
    stored = work.get_run(change.conn, run_name)
    lots = in_force_cache.current(change.conn).of("kit_lot")
    noted = parse_observations(pairs, stored.run, position, config.site.policy, lots=lots)
    note_observations(change, run_name, position, noted, in_force_cache, config)
    return len(noted)


def note_observations(
    change: Change,
    run_name: str,
    position: int | None,
    noted: Iterable[tuple[str, str]],
    in_force_cache: InForceCache,
    config: Config,
) -> None:
    """Note keys with checked values about a run or one of its tubes, and judge it anew."""
    for key, value in noted:
        record_observation(change, run_name, position, key, value)
    run = work.get_run(change.conn, run_name).run
    labels = {label_key(tube.label) for tube in run.tubes}
    filled = retry_waiting(change, labels, in_force_cache, config.plan.open_days)
    judge_runs(
        change, [run_name, *filled], in_force_cache, config.site.policy, cause="observation"
    )


def site_forms(config: Config) -> dict[str, bytes]:
    """The TOML text of each form in the site's form folder, by name."""
    folder = config.plan.forms
    if folder is None or not folder.is_dir():
        return {}
    return {path.stem: path.read_bytes() for path in sorted(folder.glob("*.toml"))}


def take_configured(ledger: Ledger, config: Config, *, at: datetime, by: str) -> list[str]:
    """Put the shipped forms, the site's form folder and its policy into force.

    Runs that are not settled are judged by a policy that changed, in the same transaction.

    Returns:
        Names of the forms that changed.

    Raises:
        FormError: one of the site's forms is wrong; nothing is changed.
    """
    texts = shipped_forms() | site_forms(config)
    changed = []
    with ledger.change(at=at, by=by) as change:
        for name, data in texts.items():
            if _is_in_force(change.conn, name, content_sha256(data)):
                continue
            arrival = Arrival(
                source="forms",
                name=f"{name}.toml",
                pieces=(data,),
                size=len(data),
                sha256=content_sha256(data),
                final=True,
                seen_at=at,
            )
            ident, _ = store_arrival(change, arrival, kind="plan")
            change.flush()
            take_form(change, name, data, capture=ident)
            close_capture(
                change,
                get_capture(change.conn, ident),
                state="read",
                final=True,
                complete_to=len(data),
                reason="form",
            )
            changed.append(name)
        policy = config.site.policy
        is_first = not change.conn.execute(
            "SELECT EXISTS (SELECT 1 FROM inputs WHERE kind = 'site')"
        ).fetchone()[0]
        if take_input(change, "site", policy, capture=None) and not is_first:
            runs = touched_runs(change, [("site", policy)])
            judge_runs(change, runs, InForceCache(), policy, cause="[site] of the configuration")
    return changed


def _is_in_force(conn: Connection, name: str, sha256: str) -> bool:
    row = conn.execute(
        "SELECT sha256 FROM inputs WHERE kind = 'form' AND name = ? ORDER BY version DESC LIMIT 1",
        (name,),
    ).fetchone()
    return row is not None and row[0] == sha256
