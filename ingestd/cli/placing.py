"""Commands for the hand-work on readings: readings, place."""

from __future__ import annotations

import click

from ingestd.cli.invocation import (
    Invocation,
    by_option,
    json_option,
    print_json,
    print_table,
    reason_option,
    with_invocation,
)


@click.command()
@click.option("--waiting", is_flag=True, help="Those that wait for a tube, with the reasons.")
@click.option("--run", "run_name", help="Those placed on the tubes of this run.")
@json_option
@with_invocation
def readings(
    invocation: Invocation, run_name: str | None, *, waiting: bool, as_json: bool
) -> None:
    """Readings of a run, or those that wait for a tube."""
    from ingestd.ledger import work

    conn = invocation.reading_ledger.conn
    if waiting or run_name is None:
        found = work.waiting_readings(conn)
        if as_json:
            print_json(
                [
                    {
                        "reading": w.reading.id,
                        "instrument": w.reading.instrument,
                        "sample": w.reading.sample,
                        "method": w.reading.method,
                        "raw": w.reading.raw,
                        "unit": w.reading.unit,
                        "measured_at": w.reading.measured_at.isoformat(),
                        "reason": w.reason,
                        "candidates": w.candidates,
                    }
                    for w in found
                ]
            )
            return
        print_table(
            ("reading", "instrument", "sample", "method", "reads", "why it waits"),
            [
                (
                    w.reading.id,
                    w.reading.instrument,
                    w.reading.sample,
                    w.reading.method,
                    f"{w.reading.raw} {w.reading.unit or ''}",
                    "\n".join(
                        [w.reason]
                        + [f"{c['run']} tube {c['position']}: {c['reason']}" for c in w.candidates]
                    ),
                )
                for w in found
            ],
        )
        return
    placed = [
        (position, reading)
        for position, group in sorted(work.placed_readings(conn, run_name).items())
        for reading in group
    ]
    if as_json:
        print_json(
            [{"reading": r.id, "position": p, "raw": r.raw, "unit": r.unit} for p, r in placed]
        )
        return
    print_table(
        ("tube", "reading", "instrument", "sample", "reads", "measured, UTC"),
        [
            (p, r.id, r.instrument, r.sample, f"{r.raw} {r.unit or ''}", f"{r.measured_at:%F %T}")
            for p, r in placed
        ],
    )


@click.command()
@click.argument("reading", type=int, required=False)
@click.argument("run", required=False)
@click.argument("tube", type=int, required=False)
@click.option("--sheet-order", help="Confirm that a run's waiting readings lie in sheet order.")
@by_option
@reason_option
@with_invocation
def place(
    invocation: Invocation,
    reading: int | None,
    run: str | None,
    tube: int | None,
    sheet_order: str | None,
    by: str,
    reason: str,
) -> None:
    """Place READING on TUBE of RUN by hand, or move it there."""
    from ingestd.pipeline.decisions import place_in_order, place_reading

    if sheet_order is not None:
        with invocation.change(by) as change:
            count = place_in_order(
                change, sheet_order, invocation.in_force_cache, invocation.config, reason=reason
            )
        click.echo(f"{count} readings placed in the order of the sheet")
        return
    if reading is None or run is None or tube is None:
        raise click.UsageError("give READING RUN TUBE, or --sheet-order RUN")
    with invocation.change(by) as change:
        place_reading(
            change, reading, run, tube, invocation.in_force_cache, invocation.config, reason=reason
        )
    click.echo(f"reading {reading} placed on tube {tube} of run {run}")
