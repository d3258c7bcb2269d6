"""Commands of proof: verify."""

from __future__ import annotations

import sys

import click

from ingestd.commands.desk import NO, Desk, json_option, print_json, with_desk


@click.command()
@click.option(
    "--rebuild", is_flag=True, help="Fold every table anew from the journal and compare."
)
@json_option
@with_desk
def verify(desk: Desk, *, rebuild: bool, as_json: bool) -> None:
    """Recompute the journal, compare it with the signed checkpoints, hash every capture."""
    from ingestd.checkpointing import known_checkpoints
    from ingestd.verify import verify_ledger

    checkpoints, complaints = known_checkpoints(desk.config)
    report = verify_ledger(desk.reading_ledger.conn, checkpoints=checkpoints, rebuild=rebuild)
    report.faults.extend(complaints)
    if as_json:
        print_json(
            {
                "holds": report.holds,
                "entries": report.size,
                "root": report.root,
                "captures": report.captures,
                "checkpoints": report.checkpoints,
                "rebuilt": report.rebuilt,
                "faults": report.faults,
            }
        )
    elif report.holds:
        click.echo(
            f"verified: {report.size} journal entries, root {report.root};"
            f" {report.captures} captures, {report.checkpoints} checkpoints agree"
            + ("; every table rebuilt from the journal without difference" if rebuild else "")
        )
    else:
        for fault in report.faults:
            click.echo(f"DOES NOT HOLD: {fault}", err=True)
    if not report.holds:
        sys.exit(NO)
