"""Commands that run and watch the service: run, demo, check, status."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from ingestd.commands.desk import NO, Desk, json_option, print_json, print_table, with_desk


@click.command()
@with_desk
def run(desk: Desk) -> None:
    """Watch the sources, judge what arrives, keep the ledger. Ends cleanly on SIGTERM and ^C."""
    from ingestd.logs import make_log
    from ingestd.service import Service

    service = Service(desk.config, log=make_log())
    service.handle_signals()
    service.run()


@click.command()
@click.option("--once", is_flag=True, help="Work one day through, print the results and end.")
@click.option(
    "--dir",
    "directory",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("demo-lab"),
    show_default=True,
    help="Where everything of the demo is kept.",
)
@with_desk
def demo(_desk: Desk, directory: Path, *, once: bool) -> None:
    """An invented waterworks with simulated photometers works one day through."""
    import logging

    from ingestd.demo.day import run_demo
    from ingestd.logs import make_log

    log = make_log(level=logging.WARNING if once else logging.INFO)
    sys.exit(run_demo(directory, once=once, echo=click.echo, log=log))


@click.command()
@json_option
@with_desk
def check(desk: Desk, *, as_json: bool) -> None:
    """Find everything that would go wrong before start, each fault with its remedy."""
    from ingestd.checking import check_all

    faults = check_all(desk.config)
    if as_json:
        print_json([{"what": f.what, "problem": f.problem, "remedy": f.remedy} for f in faults])
    else:
        for fault in faults:
            click.echo(f"{fault.what}: {fault.problem}; {fault.remedy}")
        if not faults:
            click.echo("nothing speaks against starting")
    if faults:
        sys.exit(NO)


@click.command()
@json_option
@with_desk
def status(desk: Desk, *, as_json: bool) -> None:
    """What stands, what waits, what is wrong; exits 1 when something needs a hand."""
    from ingestd.standing import standing

    now = standing(desk.reading_ledger.conn, desk.config)
    if as_json:
        print_json(now.as_dict())
    else:
        print_table(("what", "how many or which"), now.rows())
    if now.needs_a_hand:
        sys.exit(NO)
