"""Points: the reported values of a sampling point over time, with its limits where it has any."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.inputs import InForce
from ingestd.ledger.result_search import (
    ResultQuestion,
    analytes_of_point,
    search_results,
)
from ingestd.ledger.results import ResultRow, find_results
from ingestd.model import SamplingPoint
from ingestd.web.access import Viewer, context_of
from ingestd.web.context import PageContext
from ingestd.web.pages import page, templates_of

MOST_DRAWN = 400
MOST_POINTS = 30

router = APIRouter(include_in_schema=False)


@router.get("/points")
def points(request: Request, visitor: Viewer, part: int = 1) -> Response:
    """Every point with the newest released value of each of its analytes."""
    context = context_of(request)
    part = min(max(part, 1), 10_000)
    with context.reading() as conn:
        known = sorted(context.in_force(conn).of("sampling_point").values(), key=lambda p: p.code)
        shown = known[(part - 1) * MOST_POINTS : part * MOST_POINTS]
        return page(
            request,
            conn,
            visitor,
            "points.html",
            here="points",
            title="Points",
            points=[(point, _newest(conn, point.code)) for point in shown],
            part=part,
            has_more=len(known) > part * MOST_POINTS,
        )


def _newest(conn: Connection, code: str) -> list[ResultRow]:
    found: list[ResultRow] = []
    for analyte in analytes_of_point(conn, code):
        question = ResultQuestion(point=code, analyte=analyte, state="released")
        found += search_results(conn, question, limit=1).rows
    return found


@router.get("/point")
def point_page(request: Request, visitor: Viewer, code: str, analyte: str = "") -> Response:
    """One point, one analyte: a chart and the table behind it."""
    context = context_of(request)
    with context.reading() as conn:
        in_force = context.in_force(conn)
        point = _get_point(in_force, code)
        analytes = analytes_of_point(conn, code)
        chosen = analyte if analyte in analytes else (analytes[0] if analytes else "")
        rows = [
            row
            for row in find_results(
                conn, point=code, analyte=chosen, state="released", limit=MOST_DRAWN
            )
            if row.reported
        ]
        series = _series(rows)
        return page(
            request,
            conn,
            visitor,
            "point.html",
            here="points",
            title=f"Point {code}",
            point=point,
            analytes=analytes,
            chosen=chosen,
            series=series,
            charts={
                label: _chart(request, context, label, group, point)
                for label, group in series.items()
            },
        )


def _get_point(in_force: InForce, code: str) -> SamplingPoint:
    point = in_force.of("sampling_point").get(code)
    if point is None:
        raise Refused(f"point {code[:80]!r}", "there is none", "see the page Points")
    found: SamplingPoint = point
    return found


def _series(rows: list[ResultRow]) -> dict[str, list[ResultRow]]:
    """Results by analyte with fraction, basis and unit: what may share one axis."""
    series: dict[str, list[ResultRow]] = {}
    for row in rows:
        label = ", ".join([row.analyte, row.fraction, *([f"as {row.basis}"] if row.basis else [])])
        series.setdefault(f"{label}, {row.unit}", []).append(row)
    return series


def _chart(
    request: Request,
    context: PageContext,
    label: str,
    rows: list[ResultRow],
    point: SamplingPoint,
) -> dict[str, Any]:
    """What the chart draws: texts of digits and wall times, never a rounded number."""
    local = templates_of(request).local
    name = label.rpartition(", ")[0]
    unit = label.rpartition(", ")[2]
    limit = dict(point.limits).get(name) if unit == "mg/L" else None
    return {
        "kind": "point",
        "title": label,
        "unit": unit,
        "zone": context.config.site.time_zone,
        "limit": None if limit is None else format(limit, "f"),
        "points": [
            {
                "at": local(row.at),
                "value": format(row.value, "f"),
                "spread": None if row.uncertainty is None else format(row.uncertainty, "f"),
                "censored": row.censored,
                "text": f"{row.text} {row.unit}, sample {row.sample}",
                "href": f"/result?id={row.id}",
            }
            for row in rows
            if row.value is not None
        ],
    }
