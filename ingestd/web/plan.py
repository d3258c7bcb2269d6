"""Plan: what is in force, and bench sheets, methods and lots loaded from a file or typed in."""

from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, File, Form, Request, UploadFile
from markupsafe import Markup, escape
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from ingestd import events
from ingestd.errors import Refused
from ingestd.evaluate.rules.registry import RULES
from ingestd.ledger import work
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce
from ingestd.model import KitLot
from ingestd.pipeline.inputs import load_file
from ingestd.pipeline.run_facts import day_of
from ingestd.plan.columns import COLUMNS
from ingestd.plan.faults import PlanError, PlanFault, ValueRefused
from ingestd.plan.instants import parse_instant
from ingestd.plan.sheet_rows import read_rows
from ingestd.plan.sheet_writer import draft_sheet
from ingestd.web.access import AnalystPosts, Viewer, Visitor, context_of
from ingestd.web.context import PageContext
from ingestd.web.pages import page, tell, to
from parsers import FormError

KINDS = (
    ("method", "Methods"),
    ("kit_lot", "Kit lots"),
    ("control_standard", "Control standards"),
    ("instrument", "Instruments"),
    ("sampling_point", "Sampling points"),
    ("calibration", "Calibrations"),
    ("digestion_comparison", "Comparisons of digestions"),
    ("dilution_step", "Dilution steps"),
    ("competence", "Competences"),
    ("chart_limits", "Limits of control charts"),
    ("form", "Forms"),
    ("site", "What holds for all methods"),
    ("person", "People"),
)
MOST_LISTED = 100
MOST_GRID_ROWS = 300
STARTING_NAME = "sheet.csv"

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class GridCell:
    """One cell of a sheet as it was given; `faults` say what is wrong with it."""

    text: str
    faults: tuple[PlanFault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GridRow:
    """One row of a sheet; `faults` are those of the row as a whole."""

    line: int
    cells: tuple[GridCell, ...]
    faults: tuple[PlanFault, ...]


@router.get("/plan")
def plan(
    request: Request,
    visitor: Viewer,
    draft: str = "",
    method: str = "",
    run: str = "",
    started: str = "",
) -> Response:
    """What is in force, and a form to load more; with `draft`, a sheet for waiting readings."""
    context = context_of(request)
    text, problem = "", ""
    if draft and method:
        try:
            text = _draft(context, method, run, started)
        except (Refused, PlanError, ValueRefused) as error:
            problem = str(error)
    return _plan_page(
        request, visitor, text=text, problem=problem, draft=bool(draft), method=method, run=run
    )


def _plan_page(
    request: Request,
    visitor: Visitor,
    *,
    status: int = 200,
    name: str = STARTING_NAME,
    text: str = "",
    problem: str = "",
    faults: tuple[PlanFault, ...] = (),
    grid: tuple[tuple[str, ...], list[GridRow]] | None = None,
    draft: bool = False,
    method: str = "",
    run: str = "",
) -> Response:
    context = context_of(request)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        return page(
            request,
            conn,
            visitor,
            "plan.html",
            here="plan",
            title="Plan",
            status=status,
            name=name,
            text=as_typed(text),
            problem=problem,
            faults=faults,
            grid=grid,
            draft=draft,
            method=method,
            run=run,
            columns=COLUMNS,
            kinds=[(kind, word, _names(in_force, kind)) for kind, word in KINDS],
            lots=_lots(conn, context, in_force),
            most=MOST_LISTED,
        )


def as_typed(text: str) -> Markup:
    """A text for a field to be edited in: escaped, but else exactly as it was typed."""
    return escape(text.replace("\r\n", "\n"))


def _names(in_force: InForce, kind: str) -> list[str]:
    return sorted(name for known, name in in_force.hashes if known == kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLine:
    """A kit lot with what is left of it; `left` None where nobody knows."""

    lot: KitLot
    used: int
    left: int | None


def _lots(conn: Connection, context: PageContext, in_force: InForce) -> list[LotLine]:
    today: date = day_of(context.clock(), context.config.site.policy)
    lots = sorted(in_force.of("kit_lot").values(), key=lambda lot: (lot.expires, lot.lot))
    current = [lot for lot in lots if lot.expires >= today][:MOST_LISTED]
    used = work.lot_use(conn, [lot.lot for lot in current])
    return [
        LotLine(
            lot=lot,
            used=used.get(lot.lot, 0),
            left=lot.determinations * lot.boxes - used.get(lot.lot, 0)
            if lot.determinations
            else None,
        )
        for lot in current
    ]


def _draft(context: PageContext, method: str, run: str, started: str) -> str:
    with context.reading() as conn:
        in_force = context.in_force(conn)
        if method not in in_force.methods:
            raise Refused(f"method {method!r}", "there is none", "choose another")
        chosen = in_force.methods[method]
        names = {name.casefold() for name in (chosen.name, *chosen.printed_names)}
        readings = [
            one.reading
            for one in work.waiting_readings(conn)
            if one.reading.method is None or one.reading.method.casefold() in names
        ]
    if not readings:
        raise Refused("draft", "no reading of this method waits", "see the page Waiting")
    begun = parse_instant(started.replace("T", " "), context.zone)
    return draft_sheet(readings, chosen, run or "new run", begun, context.config.site.policy)


@router.post("/plan/load")
async def load(
    request: Request,
    visitor: AnalystPosts,
    file: Annotated[UploadFile | None, File()] = None,
    name: Annotated[str, Form(max_length=200)] = STARTING_NAME,
    text: Annotated[str, Form(max_length=2_000_000)] = "",
) -> Response:
    """Put a file or what was typed into force; what is wrong is shown cell by cell."""
    data, is_typed = text.encode(), True
    if file is not None and file.filename:
        name, data, is_typed = file.filename, await file.read(), False
    return await run_in_threadpool(_load, request, visitor, name, data, is_typed)


def _load(
    request: Request,
    visitor: Visitor,
    name: str,
    data: bytes,
    is_typed: bool,  # noqa: FBT001 - run_in_threadpool
) -> Response:
    context = context_of(request)
    if not data.strip():
        tell(request, visitor, "refused", "Nothing is in it: choose a file, or type a sheet.")
        return RedirectResponse("/plan", 303)
    name = name.replace("\\", "/").rpartition("/")[2][:200] or STARTING_NAME
    try:
        with context.writer() as ledger:
            loaded = load_file(
                ledger,
                name,
                data,
                context.in_force_cache,
                context.config,
                at=context.clock(),
                by=visitor.account,
            )
    except (PlanError, FormError, Refused) as error:
        context.log.warning(
            events.REQUEST_REFUSED, path="/plan/load", account=visitor.account, why="plan refused"
        )
        faults = error.faults if isinstance(error, PlanError) else ()
        return _plan_page(
            request,
            visitor,
            status=422,
            name=name,
            text=data.decode("utf-8", errors="replace") if is_typed else "",
            problem="" if faults else str(error),
            faults=faults,
            grid=grid_of(data, name, faults) if faults else None,
        )
    context.log.info(events.DECIDED, path="/plan/load", account=visitor.account)
    tell(request, visitor, "done", f"{name} is in force: {loaded}.")
    back = to("/run", name=loaded.runs[0]) if len(loaded.runs) == 1 else "/plan"
    return RedirectResponse(back, 303)


def grid_of(
    data: bytes, name: str, faults: tuple[PlanFault, ...]
) -> tuple[tuple[str, ...], list[GridRow]] | None:
    """Header and rows of a sheet with each fault at its cell; None for what is no sheet."""
    if name.lower().endswith(".toml"):
        return None
    try:
        rows = read_rows(data, name).rows
    except PlanError:
        return None
    header = tuple(cell.strip() for cell in rows[0].cells)
    by_place: dict[tuple[int, str], list[PlanFault]] = {}
    for fault in faults:
        by_place.setdefault((fault.line, fault.column), []).append(fault)
    shown = []
    for row in rows[1 : MOST_GRID_ROWS + 1]:
        cells = (*row.cells, *[""] * (len(header) - len(row.cells)))
        placed = [
            GridCell(text=cell, faults=tuple(by_place.pop((row.line, column), ())))
            for column, cell in zip(header, cells, strict=False)
        ]
        rest = [
            fault for key in list(by_place) if key[0] == row.line for fault in by_place.pop(key)
        ]
        shown.append(GridRow(line=row.line, cells=tuple(placed), faults=tuple(rest)))
    return header, shown


@router.get("/input")
def input_page(request: Request, visitor: Viewer, kind: str, name: str) -> Response:
    """One input in force with its versions; a method also with every rule and its limits."""
    context = context_of(request)
    with context.reading() as conn:
        rows = conn.execute(
            "SELECT i.version, i.capture, i.body, i.sha256, i.entry FROM inputs i"
            " WHERE i.kind = ? AND i.name = ? ORDER BY i.version DESC LIMIT 50",
            (kind, name),
        ).fetchall()
        if not rows:
            raise Refused(
                f"{kind.replace('_', ' ')} {name!r}", "there is none", "see the page Plan"
            )
        in_force = context.in_force(conn)
        method = in_force.methods.get(name) if kind == "method" else None
        policy = in_force.policy(context.config.site.policy)
        return page(
            request,
            conn,
            visitor,
            "input.html",
            here="plan",
            title=f"{kind.replace('_', ' ').capitalize()} {name}",
            kind=kind,
            name=name,
            versions=rows,
            facts=_facts(rows[0][2]),
            rules=[(rule, rule.parameters(method, policy)) for rule in RULES.values()]
            if method
            else [],
        )


def _facts(body: str) -> list[tuple[str, str]]:
    """What an input says, one key a line; nested values as TOML-like text."""
    content: dict[str, Any] = orjson.loads(body)
    return [
        (key.replace("_", " "), _plainly(value))
        for key, value in content.items()
        if value not in (None, "", [], {})
    ]


def _plainly(value: Any) -> str:
    if isinstance(value, list):
        return "\n".join(_plainly(one) for one in value)
    if isinstance(value, dict):
        kept = ((k, v) for k, v in value.items() if v not in (None, "", [], {}))
        return ", ".join(f"{key.replace('_', ' ')} {_plainly(one)}" for key, one in kept)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
