"""Controls: charts of standards, blanks, duplicates and spikes; a reviewer freezes limits here."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from ingestd.errors import Refused
from ingestd.ledger.connection import Connection
from ingestd.ledger.store import Change
from ingestd.model import ChartLimits
from ingestd.web.access import ReviewerPosts, Viewer, context_of
from ingestd.web.action import acted
from ingestd.web.context import PageContext
from ingestd.web.control_series import ControlSeries, control_series
from ingestd.web.limit_setting import freeze_limits, propose_limits
from ingestd.web.pages import page, templates_of, to
from ingestd.web.results import midnight

router = APIRouter(include_in_schema=False)


@router.get("/controls")
def controls(
    request: Request,
    visitor: Viewer,
    method: str = "",
    instrument: str = "",
    chart: str = "",
    since: str = "",
    until: str = "",
    about: str = "",
) -> Response:
    """The charts of one method, with proposed limits for one of them where a period is given."""
    context = context_of(request)
    with context.reading() as conn:
        methods = context.in_force(conn).methods
        chosen = method if method in methods else next(iter(sorted(methods)), "")
        series = series_of(conn, context, chosen, instrument) if chosen else []
        proposed: ChartLimits | None = None
        problem = ""
        if chart and since and until:
            try:
                proposed = _proposal(context, series, chart, instrument, since, until, about)
            except Refused as error:
                problem = str(error)
        return page(
            request,
            conn,
            visitor,
            "controls.html",
            here="controls",
            title="Controls",
            methods=sorted(methods),
            chosen=chosen,
            instrument=instrument,
            instruments=sorted({dot.instrument for one in series for dot in one.dots}),
            series=series,
            asked={"chart": chart, "since": since, "until": until, "about": about},
            proposed=proposed,
            problem=problem,
            charts={
                one.key: _chart(request, context, one, proposed if one.key == chart else None)
                for one in series
            },
        )


def series_of(
    conn: Connection, context: PageContext, method: str, instrument: str
) -> list[ControlSeries]:
    """The charts of a method of the plan."""
    in_force = context.in_force(conn)
    return control_series(
        conn,
        method,
        in_force.methods[method].unit,
        list(in_force.of("chart_limits").values()),
        instrument=instrument,
    )


def _proposal(
    context: PageContext,
    series: list[ControlSeries],
    chart: str,
    instrument: str,
    since: str,
    until: str,
    about: str,
) -> ChartLimits:
    one = next((one for one in series if one.key == chart), None)
    start, end = midnight(since, context, 0), midnight(until, context, 1)
    if one is None or start is None or end is None:
        raise Refused("limits", "there is no such chart or period", "choose both again")
    return propose_limits(
        one,
        since=start,
        until=end,
        period=f"{since} to {until}",
        instrument=instrument,
        about_nominal=about == "nominal",
    )


def _chart(
    request: Request, context: PageContext, series: ControlSeries, proposed: ChartLimits | None
) -> dict[str, Any]:
    """What the chart draws."""
    local = templates_of(request).local
    return {
        "kind": "control",
        "title": series.title,
        "unit": series.unit,
        "zone": context.config.site.time_zone,
        "limits": _lines(proposed or series.limits),
        "proposed": proposed is not None,
        "points": [
            {
                "at": local(dot.at),
                "value": dot.text,
                "passed": dot.passed,
                "text": f"{dot.text} {series.unit}, {dot.run}, tube {dot.position}",
                "href": to("/run", name=dot.run),
            }
            for dot in series.dots
        ],
    }


def _lines(limits: ChartLimits | None) -> dict[str, str]:
    if limits is None:
        return {}
    names = ("centre", "warning_low", "warning_high", "action_low", "action_high")
    values = asdict(limits)
    return {name: format(values[name], "f") for name in names if values[name] is not None}


@router.post("/controls/freeze")
def freeze(
    request: Request,
    visitor: ReviewerPosts,
    method: Annotated[str, Form(max_length=80)] = "",
    instrument: Annotated[str, Form(max_length=80)] = "",
    chart: Annotated[str, Form(max_length=120)] = "",
    since: Annotated[str, Form(max_length=10)] = "",
    until: Annotated[str, Form(max_length=10)] = "",
    about: Annotated[str, Form(max_length=10)] = "",
) -> Response:
    """Freeze the limits of a chart; they are computed here again, from the values themselves."""
    context = context_of(request)

    def act(change: Change) -> str:
        if method not in context.in_force(change.conn).methods:
            raise Refused(f"method {method!r}", "there is none", "choose another")
        series = series_of(change.conn, context, method, instrument)
        limits = _proposal(context, series, chart, instrument, since, until, about)
        count = freeze_limits(change, limits, context.in_force_cache, context.config)
        return f"The limits are in force; {count} runs were judged anew."

    return acted(request, visitor, to("/controls", method=method, instrument=instrument), act)
