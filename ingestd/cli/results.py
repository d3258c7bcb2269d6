"""Commands that show results: results, explain, rules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingestd.cli.invocation import (
    Invocation,
    json_option,
    print_json,
    print_table,
    shown,
    with_invocation,
)

if TYPE_CHECKING:
    from datetime import datetime

_OUT = click.Path(dir_okay=False, path_type=Path, writable=True, allow_dash=True)


@click.command()
@click.option("--sample", help="Only of this sample.")
@click.option("--point", help="Only of this sampling point.")
@click.option("--analyte", help="Only of this analyte.")
@click.option("--run", "run_name", help="Only of this run.")
@click.option(
    "--state",
    type=click.Choice(
        ["awaiting", "accepted", "held", "refused", "released", "withdrawn", "superseded"]
    ),
    help="Only in this state.",
)
@click.option(
    "--since", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%d %H:%M"]), help="From this time on, UTC."
)
@click.option("--csv", "csv_file", type=_OUT, help="Write CSV; - for standard output.")
@click.option("--xlsx", "xlsx_file", type=_OUT, help="Write XLSX.")
@click.option("--json", "json_file", type=_OUT, help="Write JSON; - for standard output.")
@with_invocation
def results(
    invocation: Invocation,
    sample: str | None,
    point: str | None,
    analyte: str | None,
    run_name: str | None,
    state: str | None,
    since: datetime | None,
    csv_file: Path | None,
    xlsx_file: Path | None,
    json_file: Path | None,
) -> None:
    """Results as they stand, with the finding that holds or refuses them."""
    from datetime import UTC

    from ingestd.audit.derivation import deciding_findings
    from ingestd.delivery import exports
    from ingestd.ledger.results import find_results

    conn = invocation.reading_ledger.conn
    found = find_results(
        conn,
        sample=sample,
        point=point,
        analyte=analyte,
        run=run_name,
        state=state,
        since=since.replace(tzinfo=UTC) if since else None,
    )
    written = False
    for path, write in (
        (csv_file, exports.to_csv),
        (xlsx_file, exports.to_xlsx),
        (json_file, exports.to_json),
    ):
        if path is not None:
            written = True
            with click.open_file(str(path), "wb") as out:
                out.write(write(found))
    if written:
        return
    rows = []
    for r in found:
        findings = deciding_findings(conn, r.entry)
        rows.append(
            (
                r.id,
                r.sample,
                r.point,
                r.analyte,
                f"{r.text} {r.unit}" if r.text else "-",
                f"± {r.uncertainty}" if r.uncertainty is not None else "",
                r.state + (" *" if r.reported else ""),
                findings[0].sentence if findings else r.reason,
            )
        )
    print_table(("id", "sample", "point", "analyte", "result", "k = 2", "state", "why"), rows)
    if any(r.reported for r in found):
        click.echo("* the reported value of its sample")


@click.command()
@click.argument("result", type=int)
@click.option("--version", "version", type=int, help="Another version than the one that stands.")
@json_option
@with_invocation
def explain(invocation: Invocation, result: int, version: int | None, *, as_json: bool) -> None:
    """The whole derivation of RESULT, from the bytes of the capture to the last digit."""
    from ingestd.audit.derivation import explain_result

    lines = explain_result(invocation.reading_ledger.conn, result, version=version)
    if as_json:
        print_json(lines)
    else:
        for line in lines:
            click.echo(shown(line))


@click.command()
@click.option("--method", help="With the limits in force for this method.")
@json_option
@with_invocation
def rules(invocation: Invocation, method: str | None, *, as_json: bool) -> None:
    """Every rule: what it asks, how, with which limits, what follows, on whose authority."""
    from ingestd.errors import IngestError, Refused
    from ingestd.evaluate.rules.registry import RULES
    from ingestd.ledger.inputs import InForce

    try:
        in_force = invocation.in_force_cache.current(invocation.reading_ledger.conn)
    except IngestError:
        in_force = InForce(generation=-1)
    methods, policy = in_force.methods, in_force.policy(invocation.config.site.policy)
    if method is not None and method not in methods:
        raise Refused(f"method {method!r}", "there is none", "see `ingestd plan show`")
    chosen = [methods[method]] if method is not None else list(methods.values())
    described = [
        {
            "rule": rule.name,
            "version": rule.version,
            "question": rule.question,
            "formula": rule.formula,
            "outcomes": {case: verdict.value for case, verdict in rule.outcomes},
            "in force": {one.name: dict(rule.parameters(one, policy)) for one in chosen},
            "source": rule.source,
        }
        for rule in RULES.values()
    ]
    if as_json:
        print_json(described)
        return
    for rule in described:
        click.echo(f"\n{rule['rule']} (version {rule['version']})")
        for key in ("question", "formula", "source"):
            click.echo(f"  {key}: {rule[key]}")
        for case, verdict in rule["outcomes"].items():  # type: ignore[attr-defined]  # a dict, made above
            click.echo(f"  {verdict}: {case}")
        for name, values in rule["in force"].items():  # type: ignore[attr-defined]  # a dict, made above
            for what, value in values.items():
                click.echo(f"  {name}: {what} = {value}")
