"""Commands about plans: plan load, plan show, plan from-readings, observe."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ingestd.cli.invocation import (
    NO,
    Invocation,
    by_option,
    json_option,
    print_json,
    print_table,
    with_invocation,
)


@click.group()
def plan() -> None:
    """Bench sheets, methods, lots, samples: load and show."""


@plan.command("load")
@click.argument(
    "files",
    nargs=-1,
    required=True,
    metavar="FILE…",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)
@by_option
@with_invocation
def plan_load(invocation: Invocation, files: tuple[Path, ...], by: str) -> None:
    """Put bench sheets (.csv, .xlsx), plan files and forms (.toml) into force."""
    from ingestd.errors import IngestError
    from ingestd.model import PersonRole
    from ingestd.pipeline.decisions import authorise
    from ingestd.pipeline.inputs import load_file
    from parsers import FormError

    authorise(invocation.in_force_cache.current(invocation.ledger.conn), by, PersonRole.ANALYST)
    failed = False
    for path in files:
        try:
            loaded = load_file(
                invocation.ledger,
                path.name,
                path.read_bytes(),
                invocation.in_force_cache,
                invocation.config,
                at=invocation.now(),
                by=by,
            )
        except (IngestError, FormError, ValueError) as error:
            if isinstance(error, IngestError) and error.disposition == "stop":
                raise  # nobody knows whether it stands: not one file further
            failed = True
            click.echo(str(error), err=True)
        else:
            click.echo(f"{path.name}: {loaded}")
    if failed:
        sys.exit(NO)


@plan.command("show")
@click.argument("run", required=False)
@json_option
@with_invocation
def plan_show(invocation: Invocation, run: str | None, *, as_json: bool) -> None:
    """Show the inputs in force and the runs planned, or one run's tubes."""
    from ingestd.ledger import work
    from ingestd.ledger.bodies import body_of

    conn = invocation.reading_ledger.conn
    if run is not None:
        stored = work.get_run(conn, run)
        if as_json:
            print_json(body_of(stored.run))
            return
        filled = work.placed_readings(conn, run)
        click.echo(
            f"run {run}: {stored.run.method}, started {stored.run.started_at:%Y-%m-%d %H:%M %Z}"
        )
        print_table(
            ("tube", "role", "sample", "label", "dilution", "lot", "readings"),
            [
                (
                    tube.position,
                    tube.role.value,
                    tube.sample or tube.standard,
                    tube.label,
                    tube.dilution.text,
                    tube.lot,
                    ", ".join(
                        f"{reading.raw} {reading.unit or ''}".strip()
                        for reading in filled.get(tube.position, ())
                    ),
                )
                for tube in stored.run.tubes
            ],
        )
        return
    in_force = invocation.in_force_cache.current(conn)
    runs = work.find_runs(conn)
    if as_json:
        print_json(
            {
                "inputs": [
                    {"kind": k, "name": n, "sha256": h} for (k, n), h in in_force.hashes.items()
                ],
                "runs": [
                    {"name": r.run.name, "method": r.run.method, "complete": r.complete}
                    for r in runs
                ],
            }
        )
        return
    print_table(
        ("input", "name", "sha256"),
        [(kind, name, sha256[:12]) for (kind, name), sha256 in sorted(in_force.hashes.items())],
    )
    click.echo()
    print_table(
        ("run", "method", "day", "tubes", "state"),
        [
            (
                r.run.name,
                r.run.method,
                r.day,
                len(r.run.tubes),
                "closed" if r.closed else "complete" if r.complete else "open",
            )
            for r in runs
        ],
    )


@plan.command("from-readings")
@click.option("--method", required=True, help="Method of the run.")
@click.option("--run", "run_name", required=True, help="Name for the run.")
@click.option("--started", required=True, help="When it was started, local time.")
@click.option("--instrument", default=None, help="Only readings of this instrument.")
@with_invocation
def plan_from_readings(
    invocation: Invocation, method: str, run_name: str, started: str, instrument: str | None
) -> None:
    """Draft a bench sheet for readings that wait; check it, then load it."""
    from zoneinfo import ZoneInfo

    from ingestd.errors import Refused
    from ingestd.ledger import work
    from ingestd.plan.instants import parse_instant
    from ingestd.plan.sheet_writer import draft_sheet

    conn = invocation.reading_ledger.conn
    in_force = invocation.in_force_cache.current(conn)
    if method not in in_force.methods:
        raise Refused(f"method {method!r}", "there is none", "see `ingestd plan show`")
    chosen = in_force.methods[method]
    names = {name.casefold() for name in (chosen.name, *chosen.printed_names)}
    readings = [
        one.reading
        for one in work.waiting_readings(conn, instrument=instrument)
        if one.reading.method is None or one.reading.method.casefold() in names
    ]
    if not readings:
        raise Refused(
            "plan", "no reading of this method waits", "see `ingestd readings --waiting`"
        )
    begun = parse_instant(started, ZoneInfo(invocation.config.site.time_zone))
    click.echo(
        draft_sheet(readings, chosen, run_name, begun, invocation.config.site.policy), nl=False
    )


@click.command()
@click.argument("run")
@click.argument("words", nargs=-1, required=True, metavar="[TUBE] KEY=VALUE…")
@by_option
@with_invocation
def observe(invocation: Invocation, run: str, words: tuple[str, ...], by: str) -> None:
    """Note what was seen about a run, or about one of its tubes.

    For example: ingestd observe "COD A" 3 turbidity=clear --by mara
    """
    from ingestd.model import PersonRole
    from ingestd.pipeline.decisions import authorise
    from ingestd.pipeline.inputs import observe as note

    position = int(words[0]) if words[0].isdigit() else None
    pairs = words[1:] if position is not None else words
    authorise(invocation.in_force_cache.current(invocation.ledger.conn), by, PersonRole.ANALYST)
    with invocation.change(by) as change:
        count = note(change, run, position, pairs, invocation.in_force_cache, invocation.config)
    click.echo(f"{count} noted")
